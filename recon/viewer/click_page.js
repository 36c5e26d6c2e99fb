"use strict";
let info, camera, asked, clicks = [], skipped = new Set(), history = [], drawn = {}, hold = null;

const key = (cam, point) => cam + "/" + point;
const size = () => info.cameras.find(c => c.name === camera);
const clickOf = (cam, point) => clicks.find(c => c.camera === cam && c.point === point);

const save = () => keeper.save("/clicks", clicks);

function change(edit) {
  history.push({clicks: clicks.map(c => ({...c})), skipped: new Set(skipped), camera, asked});
  edit();
  save();
}

function place(u, v) {
  [u, v] = pane.inside(u, v);
  change(() => {
    const old = clickOf(camera, asked);
    if (old) { old.u_px = u; old.v_px = v; } else clicks.push({camera, point: asked, u_px: u, v_px: v});
    skipped.delete(key(camera, asked));
  });
  hold = {u, v, point: asked};
  askNext();
}

function askNext() {
  const open = info.points.filter(p => !clickOf(camera, p.name) && !skipped.has(key(camera, p.name)));
  const after = info.points.findIndex(p => p.name === asked);
  const next = open.find(p => info.points.indexOf(p) > after) || open[0];
  if (next) asked = next.name;
  show();
}

function ask(point) {
  asked = point;
  const c = clickOf(camera, point);
  hold = c ? {u: c.u_px, v: c.v_px, point} : null;
  show();
  if (c) pane.magnify(c.u_px, c.v_px);
}

function look(name) {
  camera = name;
  pane.setBox(null);
  hold = null;
  const {width, height} = size();
  pane.show(`/picture/${name}`);
  asked = info.points[0].name;
  if (clickOf(camera, asked) || skipped.has(key(camera, asked))) askNext();
  pane.magnify(width / 2, height / 2);
  show();
}

function showPicture() {
  const reach = pane.box.w / 130;
  $("placed").replaceChildren();
  $("magnifier-placed").replaceChildren();
  for (const c of clicks.filter(c => c.camera === camera)) {
    marker($("placed"), c.u_px, c.v_px, c.point === asked, reach);
    marker($("magnifier-placed"), c.u_px, c.v_px, hold !== null && c.point === hold.point, 1.2);
  }
  $("drawn").replaceChildren();
  for (const line of drawn[camera] || [])
    for (const [colour, width, dash] of [["#fff", 3, ""], ["#0072b2", 1.5, "6 4"]])
      element("polyline", {points: line.map(p => p.join(",")).join(" "), fill: "none", stroke: colour, "stroke-width": width, "stroke-dasharray": dash}, $("drawn"));
}

function showPlan() {
  const plan = $("plan");
  plan.replaceChildren();
  plan.setAttribute("viewBox", "-7.2 -25.6 14.4 27.4");
  for (const line of info.outlines)
    element("polyline", {points: line.map(p => `${p[0]},${-p[1]}`).join(" "), fill: "none", stroke: "#5b6773", "stroke-width": 1}, plan);
  element("text", {x: 0, y: 1.6, "font-size": 0.95, "text-anchor": "middle", fill: "#5b6773"}, plan, "server stands here");
  for (const p of info.points) {
    const done = clickOf(camera, p.name), isAsked = p.name === asked;
    const dot = element("circle", {cx: p.x, cy: -p.y, r: 0.34, fill: done ? "#0072b2" : "#fff", stroke: "#1f2933", "stroke-width": 1, style: "cursor:pointer"}, plan);
    if (isAsked) element("circle", {cx: p.x, cy: -p.y, r: 0.85, fill: "none", stroke: "#d55e00", "stroke-width": 3}, plan);
    dot.addEventListener("click", () => ask(p.name));
    element("title", {}, dot, words(p.name));
  }
}

function show() {
  const point = info.points.find(p => p.name === asked);
  const inCamera = clicks.filter(c => c.camera === camera).length;
  $("asked").textContent = `${words(asked)}:`;
  $("how").textContent = point.how + (clickOf(camera, asked) ? " Placed; click again to move it." : "");
  cameraButtons(info.cameras, camera, clicks, look);
  $("points").replaceChildren();
  for (const p of info.points) {
    const li = document.createElement("li");
    const mark = clickOf(camera, p.name) ? "placed" : skipped.has(key(camera, p.name)) ? "skipped" : "";
    li.dataset.point = p.name;
    li.setAttribute("aria-current", p.name === asked);
    li.append(words(p.name), Object.assign(document.createElement("span"), {textContent: mark, className: "quiet"}));
    li.addEventListener("click", () => ask(p.name));
    $("points").append(li);
    if (p.name === asked) li.scrollIntoView({block: "nearest"});
  }
  $("wanted").textContent = stillWanted();
  $("undo").disabled = !history.length;
  $("register").disabled = !clicks.length;
  document.body.dataset.placed = inCamera;
  showPicture();
  showPlan();
}

// Without a board each camera is placed by its own points alone.
function stillWanted() {
  if (!info.wanted) return "";
  const {least, good} = info.wanted;
  const lacking = info.cameras.map(c => ({name: words(c.name), has: clicks.filter(k => k.camera === c.name).length}));
  const must = lacking.filter(c => c.has < least), better = lacking.filter(c => c.has < good);
  const list = (cameras, goal) => cameras.map(c => `${c.name} ${goal - c.has}`).join(", ");
  if (must.length) return `Points still needed: ${list(must, least)} (at least ${least} in each picture, better ${good}).`;
  if (better.length) return `Enough to register. Better, if they can be seen: ${list(better, good)} more.`;
  return `Every picture has ${good} points or more.`;
}

const pane = new Pane(9, {
  size,
  place: (u, v) => { place(u, v); pane.magnify(u, v); },
  redraw: showPicture,
  held: () => hold && [hold.u, hold.v],
});

// The magnifier holds still on the last point placed; a click in it moves that point.
$("magnifier").addEventListener("click", e => {
  if (hold) refine(...pixel($("magnifier"), e));
});
function refine(u, v) {
  const next = asked;
  asked = hold.point;
  place(u, v);
  asked = next;
  show();
  pane.magnify(u, v);
}
document.addEventListener("keydown", e => {
  const steps = {ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1]};
  if (!(e.key in steps) || !hold) return;
  e.preventDefault();
  const step = e.shiftKey ? 1 : 0.25;
  refine(hold.u + steps[e.key][0] * step, hold.v + steps[e.key][1] * step);
});

$("skip").addEventListener("click", () => {
  change(() => { skipped.add(key(camera, asked)); clicks = clicks.filter(c => !(c.camera === camera && c.point === asked)); });
  hold = null;
  askNext();
});
$("undo").addEventListener("click", () => {
  const before = history.pop();
  if (!before) return;
  ({clicks, skipped} = before);
  if (before.camera !== camera) look(before.camera);
  hold = null;
  ask(before.asked);
  save();
});
$("next-camera").addEventListener("click", () => {
  const i = info.cameras.findIndex(c => c.name === camera);
  look(info.cameras[(i + 1) % info.cameras.length].name);
});

$("register").addEventListener("click", async () => {
  const result = $("result");
  $("register").disabled = true;
  result.className = "";
  result.textContent = "registering …";
  try {
    await keeper.saving;
    const r = await send("/register", null);
    drawn = r.drawn;
    showResult(r);
  } catch (e) {
    result.className = "fault";
    result.textContent = e.message;
  }
  show();
});

function showResult(r) {
  const result = $("result"), worst = Math.max(...r.rows.map(row => row.residual_px));
  const say = (tag, text, parent, className = "") => {
    const e = Object.assign(document.createElement(tag), {textContent: text, className});
    parent.append(e);
    return e;
  };
  result.replaceChildren();
  say("p", `Registered. Clicks lie ${r.rms_px.toFixed(2)} px from where the court is (root mean square). The court as found is drawn dashed in the picture.`, result);
  if (r.player_u_mm) {
    const [usual, worst] = r.player_u_mm.map(u => u.toFixed(u < 10 ? 1 : 0));
    say("p", `At the player, calibration alone leaves ${usual} mm of uncertainty (u), ${worst} mm where it is largest.`, result);
  }
  for (const flag of r.flags) say("p", flag, result, "fault");
  const table = say("table", "", result);
  for (const row of r.rows) {
    const line = say("tr", "", table, row.residual_px === worst ? "worst" : "");
    say("td", words(row.camera), line);
    say("td", words(row.point) + (row.used ? "" : " (left out)"), line);
    say("td", `${row.residual_px.toFixed(2)} px`, line, "number");
    line.addEventListener("click", () => { look(row.camera); ask(row.point); });
  }
}

finishes(() => "the clicks are saved.");

fetch("/state").then(r => r.json()).then(s => {
  info = s;
  clicks = s.clicks;
  $("rig").textContent = s.rig;
  look(s.cameras[0].name);
  $("saved").textContent = clicks.length ? `${clicks.length} clicks loaded` : "";
});
