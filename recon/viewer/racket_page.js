"use strict";
const SIGMA_PX = 2.0;
let info, camera, frame, asked, clicks = [], history = [], help = {lines: [], foretold: null, how: ""};

const own = () => info.cameras.find(c => c.name === camera);
const clickOf = (cam, at, point) => clicks.find(c => c.camera === cam && c.frame === at && c.point === point);
const here = () => clickOf(camera, frame, asked);

function save() {
  return keeper.save("/points", clicks, r => {
    $("wanted").textContent = r.wanted;
    askHelp();
  });
}

function change(edit) {
  history.push({clicks: clicks.map(c => ({...c})), camera, frame, asked});
  edit();
  show();
  save();
}

function place(u, v) {
  [u, v] = pane.inside(u, v);
  change(() => {
    const old = here();
    if (old) Object.assign(old, {u_px: u, v_px: v, sigma_px: SIGMA_PX});
    else clicks.push({camera, frame, point: asked, u_px: u, v_px: v, sigma_px: SIGMA_PX});
  });
}

const helpers = latest("/help");
async function askHelp() {
  const found = await helpers({camera, frame, point: asked});
  if (!found || found.error) return;  // the page has moved on
  help = found;
  document.body.dataset.helped = `${camera}/${frame}/${asked}`;
  showPicture();
}

function look(name) {
  const before = camera && own(), c = info.cameras.find(k => k.name === name);
  const now = before ? before.rig_s[frame - before.first] : null;
  camera = name;
  pane.setBox(null);
  if (now === null) frame = c.asked.length ? c.asked[0] : c.first;
  else frame = c.first + c.rig_s.reduce((best, t, k) => Math.abs(t - now) < Math.abs(c.rig_s[best] - now) ? k : best, 0);
  go(frame);
}

function go(to) {
  const c = own();
  frame = Math.min(Math.max(to, c.first), c.last);
  pane.show(`/frame/${camera}/${frame}`);
  help = {lines: [], foretold: null, how: ""};
  show();
  askHelp();
}

// The first frame worth clicking in which this point is not clicked yet: later in this camera, then in the next ones.
function nextWorth() {
  const at = info.cameras.findIndex(c => c.name === camera);
  const round = [...info.cameras.slice(at), ...info.cameras.slice(0, at)];
  for (const [turn, c] of round.entries())
    for (const k of c.asked)
      if (!clickOf(c.name, k, asked) && (turn > 0 || k !== frame)) {
        if (c.name !== camera) look(c.name);
        go(k);
        return;
      }
}

function showPicture() {
  const reach = pane.box.w / 150;
  for (const id of ["placed", "magnifier-placed", "lines", "magnifier-lines", "foretold"]) $(id).replaceChildren();
  for (const line of help.lines)
    for (const parent of [$("lines"), $("magnifier-lines")])
      for (const [colour, width, dash] of [["#fff", 3, ""], ["#0072b2", 1.5, "7 5"]])
        element("polyline", {points: line.points.map(p => p.join(",")).join(" "), fill: "none", stroke: colour, "stroke-width": width, "stroke-dasharray": dash, "data-camera": line.camera}, parent);
  if (help.foretold && !here())
    for (const [colour, width] of [["#fff", 4], ["#d55e00", 1.5]])
      element("circle", {cx: help.foretold[0], cy: help.foretold[1], r: 2.5 * reach, fill: "none", stroke: colour, "stroke-width": width, "stroke-dasharray": "4 3"}, $("foretold"));
  for (const c of clicks.filter(c => c.camera === camera && c.frame === frame)) {
    marker($("placed"), c.u_px, c.v_px, c.point === asked, reach);
    marker($("magnifier-placed"), c.u_px, c.v_px, c.point === asked, 1.5);
  }
  const lines = help.lines.map(l => words(l.camera)).join(" and ");
  $("key").textContent = [
    lines && `Dashed line: where the click in ${lines} at this time may lie.`,
    help.foretold && !here() && `Dashed circle: ${help.how}.`,
  ].filter(Boolean).join(" ") || "Nothing is foretold here yet: click the point in other frames or cameras.";
}

function showRuler() {
  const c = own(), ruler = $("ruler"), n = c.last - c.first + 1, y = point => 8 + 5 * info.points.findIndex(p => p.name === point);
  ruler.replaceChildren();
  ruler.setAttribute("viewBox", `${c.first - 0.5} 0 ${n} 34`);
  for (const [name, k] of Object.entries(c.events))
    element("title", {}, element("line", {x1: k, x2: k, y1: 0, y2: 34, stroke: "#5b6773", "stroke-width": 1, "stroke-dasharray": "2 2"}, ruler), words(name));
  for (const k of c.asked) element("line", {x1: k, x2: k, y1: 26, y2: 34, stroke: "#d55e00", "stroke-width": 3}, ruler);
  for (const k of clicks.filter(k => k.camera === camera))
    element("line", {x1: k.frame, x2: k.frame, y1: y(k.point) - 4, y2: y(k.point), stroke: "#0072b2", "stroke-width": 3}, ruler);
  element("rect", {x: frame - 0.5, y: 0, width: 1, height: 34, fill: "#d55e00", "fill-opacity": 0.35}, ruler);
}

function show() {
  const c = own(), point = info.points.find(p => p.name === asked);
  $("asked").textContent = `${words(asked)}:`;
  $("how").textContent = `${point.how}. ${here() ? "Placed; click again to move it." : ""}`;
  const event = Object.entries(c.events).filter(([, k]) => k === frame).map(([name]) => words(name)).join(", ");
  $("where-frame").textContent = `Frame ${frame}, ${c.rig_s[frame - c.first].toFixed(3)} s${event && " (" + event + ")"}.`;
  cameraButtons(info.cameras, camera, clicks, look);
  $("points").replaceChildren();
  for (const p of info.points) {
    const li = document.createElement("li"), count = clicks.filter(x => x.camera === camera && x.point === p.name).length;
    li.dataset.point = p.name;
    li.setAttribute("aria-current", p.name === asked);
    const mark = `${clickOf(camera, frame, p.name) ? "placed; " : ""}${count} frames`;
    li.append(words(p.name), Object.assign(document.createElement("span"), {textContent: mark, className: "quiet"}));
    li.addEventListener("click", () => ask(p.name));
    $("points").append(li);
  }
  $("undo").disabled = !history.length;
  $("take").disabled = !here();
  Object.assign(document.body.dataset, {frame, camera, asked});
  if (here()) pane.magnify(...held());
  showPicture();
  showRuler();
}

function ask(point) {
  asked = point;
  help = {lines: [], foretold: null, how: ""};
  show();
  askHelp();
}

function takeBack() {
  if (here()) change(() => { clicks = clicks.filter(c => c !== here()); });
}

function undo() {
  const before = history.pop();
  if (!before) return;
  clicks = before.clicks;
  asked = before.asked;
  if (before.camera !== camera) look(before.camera);
  go(before.frame);
  save();
}

const held = () => here() && [here().u_px, here().v_px];
const pane = new Pane(6, {size: own, place, redraw: showPicture, held});

$("magnifier").addEventListener("click", e => { if (here()) place(...pixel($("magnifier"), e)); });
$("ruler").addEventListener("click", e => {
  const c = own(), edge = $("ruler").getBoundingClientRect();
  go(c.first + Math.floor((e.clientX - edge.left) / edge.width * (c.last - c.first + 1)));
});

keys(undo, e => {
  const names = info.points.map(p => p.name), cameras = info.cameras.map(c => c.name), step = e.shiftKey ? 5 : 1;
  return {
    ArrowLeft: () => go(frame - step),
    ArrowRight: () => go(frame + step),
    ArrowUp: () => ask(stepped(names, asked, -1)),
    ArrowDown: () => ask(stepped(names, asked, 1)),
    c: () => look(cameras[(cameras.indexOf(camera) + 1) % cameras.length]),
    n: nextWorth,
    u: undo,
    Delete: takeBack,
    Backspace: takeBack,
  };
});

$("take").addEventListener("click", takeBack);
$("undo").addEventListener("click", undo);
$("next").addEventListener("click", nextWorth);
finishes(() => "the clicks are saved. Run measure again to use them.");

fetch("/state").then(r => r.json()).then(s => {
  info = s;
  clicks = s.clicks;
  asked = s.points[0].name;
  $("session").textContent = s.session;
  $("wanted").textContent = s.wanted;
  look(s.cameras[0].name);
  const {width, height} = own();
  pane.magnify(width / 2, height / 2);
  $("saved").textContent = clicks.length ? `${clicks.length} clicks loaded` : "";
});
