"use strict";
const $ = id => document.getElementById(id);
const EVERY_MS = 250;
let alone = null, mirrored = false, tone = null, made = "", taken = {}, drawn = {};

// in a mirrored picture left is right; the words go with what is seen
const seen = words => mirrored ? words.replace(/\b(left|right)\b/g, w => w === "left" ? "right" : "left") : words;

function element(name, className, parent, text) {
  const e = document.createElement(name);
  if (className) e.className = className;
  if (text !== undefined) e.textContent = text;
  parent.append(e);
  return e;
}

function build(panes) {
  const shown = alone === null ? panes : panes.filter(p => p.number === alone);
  const key = shown.map(p => p.number).join();
  if (key === made) return shown;
  made = key;
  drawn = {};
  $("panes").replaceChildren();
  const across = shown.length > 4 ? 3 : shown.length > 1 ? 2 : 1;
  $("panes").style.gridTemplateColumns = `repeat(${across}, minmax(0, 1fr))`;
  for (const p of shown) {
    const pane = element("section", "", $("panes"));
    pane.id = `pane-${p.number}`;
    pane.addEventListener("click", () => { alone = alone === null && panes.length > 1 ? p.number : null; update(); });
    const inner = element("div", "inner", pane);
    element("h2", "", inner);
    element("p", "verdict", inner);
    element("img", "", element("div", "picture", inner)).alt = `what ${p.title} sees`;
    element("p", "head", inner);
    element("div", "lines", inner);
    element("p", "counts", inner);
  }
  return shown;
}

function fill(p) {
  const pane = $(`pane-${p.number}`), find = c => pane.querySelector(c);
  find("h2").textContent = p.title + (p.ended ? " (ended)" : "");
  find(".verdict").textContent = `${p.sign} ${p.verdict}`;
  find(".verdict").className = `verdict ${p.kind}`;
  find(".head").textContent = p.head;
  const lines = p.lines.map(seen);
  if (find(".lines").textContent !== lines.join("")) {
    find(".lines").replaceChildren();
    for (const line of lines) element("p", "", find(".lines"), line);
  }
  find(".counts").textContent = p.counts;
  if (p.pictures && drawn[p.number] !== p.pictures) {
    drawn[p.number] = p.pictures;
    find("img").src = `/live/${p.number}.jpg?${p.pictures}`;
  }
  if (p.taken > (taken[p.number] ?? p.taken)) sound();
  taken[p.number] = p.taken;
}

function sound() {
  if (!tone) return;
  const note = tone.createOscillator(), volume = tone.createGain();
  note.frequency.value = 880;
  volume.gain.setValueAtTime(0.3, tone.currentTime);
  volume.gain.linearRampToValueAtTime(0, tone.currentTime + 0.25);
  note.connect(volume).connect(tone.destination);
  note.start();
  note.stop(tone.currentTime + 0.25);
}

function fillShared(state) {
  const parts = [];
  for (const set of state.shared) {
    const box = document.createElement("div");
    element("b", "", box, set.title);
    element("span", "", box, set.pairs.map(p => `${p.pair}: ${p.holds} holds together`).join("; "));
    const list = element("ul", "", box);
    for (const line of set.missing.slice(0, 3)) element("li", "", list, line);
    parts.push(box);
  }
  for (const note of state.notes) {
    const box = document.createElement("div");
    box.textContent = `note: ${note}`;
    parts.push(box);
  }
  $("shared").replaceChildren(...parts);
}

async function update() {
  try {
    const state = await (await fetch("/state")).json();
    $("rig").textContent = state.rig;
    $("told").textContent = "";
    $("all").hidden = alone === null;
    build(state.panes).forEach(fill);
    fillShared(state);
  } catch {
    $("told").textContent = "ended; the summary is where the command was started";
  }
}

$("all").addEventListener("click", () => { alone = null; update(); });
$("mirror").addEventListener("click", () => {
  mirrored = !mirrored;
  $("mirror").setAttribute("aria-pressed", mirrored);
  document.body.classList.toggle("mirrored", mirrored);
  update();
});
$("tone").addEventListener("click", () => {
  tone = tone ? null : new AudioContext();
  $("tone").setAttribute("aria-pressed", tone !== null);
  sound();
});
$("finish").addEventListener("click", () => fetch("/finish", {method: "POST", headers: {"Content-Type": "application/json"}, body: "null"}));

(async function loop() {
  for (;;) {
    await update();
    await new Promise(done => setTimeout(done, EVERY_MS));
  }
})();
