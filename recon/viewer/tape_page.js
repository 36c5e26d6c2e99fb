"use strict";
const NOTHING = {parts: {}, kept_deg: {}, refusal: null, cautions: []};
let info, camera, at, goal, asked, clicks = [], history = [], verdict = NOTHING, said = null, last = null;

const filmOf = name => info.cameras.find(c => c.name === name);
const clickOf = part => clicks.find(c => c.part === part);
const inView = c => c && c.camera === camera && c.at === at;
const held = () => inView(clickOf(asked)) ? [clickOf(asked).u_px, clickOf(asked).v_px] : null;
const clock = c => `${(c.at * filmOf(c.camera).step_s).toFixed(2)} s`;

// What each click would be taken as. The last answer counts: an earlier one says nothing of the clicks as they are.
const judge = latest("/judge");
async function look() {
  const found = await judge(clicks);
  if (!found) return;
  verdict = found.error ? {...NOTHING, refusal: found.error} : found;
  document.body.dataset.judged = Number(document.body.dataset.judged || 0) + 1;
  show();
}

function change(edit) {
  history.push({clicks: clicks.map(c => ({...c})), camera, at, asked});
  edit();
  said = null;
  delete verdict.parts[asked];
  show();
  look();
}

function place(u, v) {
  const inside = pane.inside(u, v);
  if (inside[0] !== u || inside[1] !== v) return;  // beside the picture
  change(() => { clicks = [...clicks.filter(c => c.part !== asked), {camera, at, part: asked, u_px: u, v_px: v}]; });
}

// Pictures are fetched one at a time: of those asked for meanwhile, only the last.
let fetching = false;
async function go(name, to) {
  goal = {camera: name, at: Math.min(Math.max(Math.round(to), 0), filmOf(name).count - 1)};
  showWhen();
  if (fetching) return;
  fetching = true;
  while (goal.camera !== camera || goal.at !== at) {
    const next = goal;
    try {
      const answer = await fetch(`/picture/${info.cameras.indexOf(filmOf(next.camera))}/${next.at}`);
      if (!answer.ok) throw new Error((await answer.json()).error);
      showPhoto(next, URL.createObjectURL(await answer.blob()));
    } catch (e) {
      said = {fault: e.message};
      if (goal === next) {
        goal = camera === undefined ? next : {camera, at};
        break;
      }
    }
  }
  fetching = false;
  show();
}

function showPhoto(next, href) {
  const before = $("photo").getAttribute("href"), other = next.camera !== camera;
  ({camera, at} = next);
  pane.show(href);
  if (before) URL.revokeObjectURL(before);
  if (other) {
    pane.setBox(null);
    pane.magnify(filmOf(camera).width / 2, filmOf(camera).height / 2);
  }
  show();
}

const goBy = (pictures, seconds = 0) => go(goal.camera, goal.at + pictures + Math.round(seconds / filmOf(goal.camera).step_s));
const goTo = name => go(name, goal.at * filmOf(goal.camera).step_s / filmOf(name).step_s);

function showWhen() {
  const film = filmOf(goal.camera);
  $("when").hidden = film.count === 1;
  $("instant").max = film.count - 1;
  $("instant").value = goal.at;
  $("clock").textContent = `${clock(goal)} of ${((film.count - 1) * film.step_s).toFixed(2)} s`;
  $("instant").setAttribute("aria-valuetext", $("clock").textContent);
}

function outline(parent, patch, current, widths) {
  for (const [colour, width] of [["#fff", widths[0]], [current ? "#d55e00" : "#0072b2", widths[1]]])
    for (const line of patch.outlines)
      element("polygon", {points: line.map(p => p.join(",")).join(" "), fill: "none", stroke: colour, "stroke-width": width, "stroke-linejoin": "round"}, parent);
}

// A ring about the patch and its name, clear of its colour.
function ring(patch, part, current, reach) {
  const all = patch.outlines.flat(), mid = [0, 1].map(k => (Math.min(...all.map(p => p[k])) + Math.max(...all.map(p => p[k]))) / 2);
  const r = Math.max(...all.map(p => Math.hypot(p[0] - mid[0], p[1] - mid[1]))) + reach;
  const colour = current ? "#d55e00" : "#0072b2";
  const crowded = clicks.some(c => c.part !== part && inView(c) && c.u_px > mid[0] && c.u_px - mid[0] < r + 12 * reach && Math.abs(c.v_px - mid[1]) < 4 * reach);
  for (const [stroke, width] of [["#fff", 4], [colour, 2]])
    element("circle", {cx: mid[0], cy: mid[1], r, fill: "none", stroke, "stroke-width": width}, $("placed"));
  element("text", {x: mid[0] + (crowded ? -1 : 1) * (r + reach / 2), y: mid[1] + 0.6 * reach, "text-anchor": crowded ? "end" : "start", style: `font-size: ${2.2 * reach}px`, fill: colour, stroke: "#fff", "stroke-width": 4, "paint-order": "stroke"}, $("placed"), words(part));
}

function showPicture() {
  const reach = 7 / $("picture").getScreenCTM().a;  // as many pixels of the screen, however small the window
  for (const id of ["placed", "magnifier-placed"]) $(id).replaceChildren();
  for (const c of clicks.filter(inView)) {
    const patch = verdict.parts[c.part], current = c.part === asked;
    if (patch && patch.outlines) {
      outline($("placed"), patch, current, [2, 1]);
      outline($("magnifier-placed"), patch, current, [3, 1.5]);
      ring(patch, c.part, current, reach);
    } else {
      marker($("placed"), c.u_px, c.v_px, current, reach);
      marker($("magnifier-placed"), c.u_px, c.v_px, current, 1.5);
    }
  }
}

const numbers = p => `${p.hue_deg.toFixed(0)}°, ${(100 * p.saturation).toFixed(0)} %, ${p.value.toFixed(0)}`;

function foundWords() {
  const c = clickOf(asked), p = verdict.parts[asked];
  if (!c) return "Find a picture that shows it, and click in the middle of it.";
  if (!p) return "looking …";
  const where = inView(c) ? "" : ` In ${words(c.camera)} at ${clock(c)}; a click here takes it anew.`;
  if (p.refusal) return `Not tape: ${p.refusal}.${where}`;
  return `Taken: hue ${p.hue_deg.toFixed(0)}° (spread ${p.spread_deg.toFixed(0)}°), saturation ${(100 * p.saturation).toFixed(0)} %, brightness ${p.value.toFixed(0)} of 255, ${p.pixels} pixels.${where}`;
}

function showParts() {
  $("points").replaceChildren();
  for (const {name} of info.parts) {
    const li = document.createElement("li"), p = verdict.parts[name], kept = verdict.kept_deg[name];
    li.dataset.point = name;
    li.setAttribute("aria-current", name === asked);
    const swatch = document.createElement("i");
    if (p && p.colour) swatch.style.background = p.colour;
    const stays = typeof kept === "number" ? `keeps ${kept.toFixed(0)}°` : "not sought";
    const text = !clickOf(name) ? stays : !p ? "…" : p.refusal ? "not tape" : numbers(p);
    li.append(swatch, Object.assign(document.createElement("b"), {textContent: words(name)}), Object.assign(document.createElement("span"), {textContent: text, className: p && !p.refusal ? "" : "quiet"}));
    li.addEventListener("click", () => ask(name));
    $("points").append(li);
  }
}

function showResult() {
  const lines = [];
  if (said) lines.push(said.fault ? ["fault", said.fault] : ["", said.written]);
  if (verdict.refusal && !(said && said.fault === verdict.refusal)) lines.push(["fault", `This would not be written. ${verdict.refusal}`]);
  for (const caution of verdict.cautions) lines.push(["fault", `Caution: ${caution}.`]);
  $("result").replaceChildren(...lines.map(([className, textContent]) => Object.assign(document.createElement("p"), {className, textContent})));
}

const unwritten = () => clicks.length > 0 && JSON.stringify(clicks) !== last;

function show() {
  if (camera === undefined) { showResult(); return; }  // no picture yet
  const p = verdict.parts[asked];
  $("asked").textContent = `${words(asked)}:`;
  $("how").textContent = info.parts.find(x => x.name === asked).how + ".";
  $("found").textContent = foundWords();
  $("found").className = !clickOf(asked) ? "quiet" : p && p.refusal ? "fault" : "";
  cameraButtons(info.cameras, camera, clicks, goTo);
  $("undo").disabled = !history.length;
  $("take").disabled = !clickOf(asked);
  $("write").disabled = !clicks.length;
  $("saved").textContent = unwritten() ? "not written yet" : last ? "written" : "";
  Object.assign(document.body.dataset, {picture: `${camera}/${at}`, asked});
  if (held()) pane.magnify(...held());
  showParts();
  showResult();
  showPicture();
}

function ask(part) {
  asked = part;
  show();
}

function takeBack() {
  if (clickOf(asked)) change(() => { clicks = clicks.filter(c => c.part !== asked); });
}

function undo() {
  const before = history.pop();
  if (!before) return;
  ({clicks, asked} = before);
  said = null;
  go(before.camera, before.at);
  look();
}

async function write() {
  const sent = clicks;
  try {
    said = await send("/write", sent);
    last = JSON.stringify(sent);
  } catch (e) {
    said = {fault: `Nothing was written. ${e.message}`};
  }
  await look();
}

const pane = new Pane(9, {size: () => filmOf(camera), place, redraw: showPicture, held});

$("magnifier").addEventListener("click", e => { if (held()) place(...pixel($("magnifier"), e)); });
$("instant").addEventListener("input", () => go(goal.camera, Number($("instant").value)));
for (const b of document.querySelectorAll("#when button"))
  b.addEventListener("click", () => b.dataset.steps.endsWith("s") ? goBy(0, parseInt(b.dataset.steps)) : goBy(Number(b.dataset.steps)));

addEventListener("resize", () => { if (pane.box) showPicture(); });

keys(undo, e => {
  const parts = info.parts.map(p => p.name), cameras = info.cameras.map(c => c.name);
  const step = sign => e.shiftKey ? goBy(0, sign) : goBy(sign);
  return {
    ArrowLeft: () => step(-1),
    ArrowRight: () => step(1),
    PageUp: () => goBy(0, -10),
    PageDown: () => goBy(0, 10),
    ArrowUp: () => ask(stepped(parts, asked, -1)),
    ArrowDown: () => ask(stepped(parts, asked, 1)),
    c: () => goTo(cameras[(cameras.indexOf(goal.camera) + 1) % cameras.length]),
    u: undo,
    Delete: takeBack,
    Backspace: takeBack,
  };
});

$("take").addEventListener("click", takeBack);
$("undo").addEventListener("click", undo);
$("write").addEventListener("click", () => { keeper.saving = write(); });
finishes(() => unwritten() ? "the last clicks were not written." : last ? "the colours are in session.toml." : "nothing was written.");

fetch("/state").then(r => r.json()).then(s => {
  info = s;
  asked = s.parts[0].name;
  $("session").textContent = s.session;
  go(s.cameras[0].name, s.start_s / s.cameras[0].step_s);
  look();
});
