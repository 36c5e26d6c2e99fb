"use strict";
// What the pages have in common on which points are clicked in pictures: a picture to zoom and drag, a magnifier,
// clicks kept as they come. Pixel coordinates throughout: pixel centres at integers. Both SVGs have the picture
// from -0.5 to size - 0.5, so their own coordinates are pixel coordinates and getScreenCTM() is the whole conversion.
const $ = id => document.getElementById(id);
const SVG = "http://www.w3.org/2000/svg";
const words = name => name.replaceAll("_", " ");

function element(name, attributes, parent, text) {
  const e = document.createElementNS(SVG, name);
  for (const [k, v] of Object.entries(attributes)) e.setAttribute(k, v);
  if (text !== undefined) e.textContent = text;
  parent.append(e);
  return e;
}

async function send(path, value) {
  const answer = await fetch(path, {method: "POST", headers: {"Content-Type": "application/json"}, body: JSON.stringify(value)});
  const content = await answer.json();
  if (!answer.ok) throw new Error(content.error);
  return content;
}

// Asks one question again and again; an answer, {error} where it failed, is null once it was asked anew.
function latest(path) {
  let asks = 0;
  return async value => {
    const mine = ++asks, found = await send(path, value).catch(e => ({error: e.message}));
    return mine === asks ? found : null;
  };
}

// Keeps clicks one save after the other. An earlier save's answer says nothing of the clicks as they are now.
const keeper = {
  saving: Promise.resolve(),
  saves: 0,
  save(path, clicks, saved = () => {}) {
    const rows = clicks.map(c => ({...c})), mine = ++this.saves;
    const say = text => { $("saved").textContent = text; };
    say("saving …");
    this.saving = this.saving.then(() => send(path, rows)).then(
      r => { if (mine === this.saves) { say(`${r.saved} clicks saved`); saved(r); } },
      e => { if (mine === this.saves) say(`not saved: ${e.message}`); });
    return this.saving;
  },
};

// Keys that do something: ctrl-z takes back, the others do what doing(event) names for them.
function keys(undo, doing) {
  document.addEventListener("keydown", e => {
    const act = e.ctrlKey && e.key === "z" ? undo : e.ctrlKey || e.altKey || e.metaKey ? null : doing(e)[e.key];
    if (!act) return;
    e.preventDefault();
    act();
  });
}

// One of these names that lies so many steps after another; beyond both ends, the end.
function stepped(names, name, steps) {
  return names[Math.min(Math.max(names.indexOf(name) + steps, 0), names.length - 1)];
}

// The button that ends the page. words(): what is then said of the clicks.
function finishes(words) {
  $("finish").addEventListener("click", async () => {
    await keeper.saving;
    const said = words();
    await send("/finish", null);
    document.body.textContent = `Finished; ${said} This page can be closed.`;
  });
}

function cameraButtons(cameras, current, clicks, look) {
  $("cameras").replaceChildren();
  for (const c of cameras) {
    const b = document.createElement("button");
    b.textContent = `${words(c.name)} (${clicks.filter(k => k.camera === c.name).length})`;
    b.dataset.camera = c.name;
    b.setAttribute("aria-pressed", c.name === current);
    b.addEventListener("click", () => look(c.name));
    $("cameras").append(b);
  }
}

function marker(parent, u, v, current, reach) {
  for (const [colour, width] of [["#fff", 4], [current ? "#d55e00" : "#0072b2", 2]]) {
    const common = {stroke: colour, "stroke-width": width, fill: "none"};
    element("line", {x1: u - reach, y1: v, x2: u + reach, y2: v, ...common}, parent);
    element("line", {x1: u, y1: v - reach, x2: u, y2: v + reach, ...common}, parent);
    if (current) element("circle", {cx: u, cy: v, r: reach * 1.4, ...common}, parent);
  }
}

function pixel(svg, event) {
  const p = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
  return [p.x, p.y];
}

// The picture and its magnifier. size(): of the picture shown; place(u, v): a click in it; redraw(): marks that
// are drawn in screen sizes; held(): the place [u, v] on which the magnifier rests, or null.
class Pane {
  box = null;

  constructor(magnification, {size, place, redraw, held}) {
    Object.assign(this, {magnification, size, redraw});
    const picture = $("picture");
    let drag = null;
    picture.addEventListener("pointerdown", e => { drag = {x: e.clientX, y: e.clientY, box: {...this.box}, moved: false}; picture.setPointerCapture(e.pointerId); });
    picture.addEventListener("pointermove", e => {
      if (drag && Math.hypot(e.clientX - drag.x, e.clientY - drag.y) > 4) drag.moved = true;
      if (drag && drag.moved) {
        const scale = 1 / picture.getScreenCTM().a;
        this.setBox({...drag.box, x: drag.box.x - (e.clientX - drag.x) * scale, y: drag.box.y - (e.clientY - drag.y) * scale});
      } else this.magnify(...pixel(picture, e));
    });
    picture.addEventListener("pointerup", e => {
      const wasDrag = drag && drag.moved;
      drag = null;
      if (!wasDrag && e.button === 0) place(...pixel(picture, e));
    });
    picture.addEventListener("pointerleave", () => { if (held()) this.magnify(...held()); });
    picture.addEventListener("wheel", e => {
      e.preventDefault();
      const [u, v] = pixel(picture, e), {width, height} = size();
      const w = Math.min(width, Math.max(width / 40, this.box.w * Math.exp(e.deltaY * 0.0015))), f = w / this.box.w;
      this.setBox(w >= width ? null : {x: u - (u - this.box.x) * f, y: v - (v - this.box.y) * f, w, h: height * w / width});
      redraw();
    }, {passive: false});
    $("whole").addEventListener("click", () => { this.setBox(null); redraw(); });
  }

  // Another picture: shown whole.
  show(href) {
    const {width, height} = this.size();
    for (const id of ["photo", "magnified"]) {
      $(id).setAttribute("href", href);
      $(id).setAttribute("width", width);
      $(id).setAttribute("height", height);
    }
  }

  setBox(b) {
    const {width, height} = this.size();
    this.box = b || {x: -0.5, y: -0.5, w: width, h: height};
    $("picture").setAttribute("viewBox", `${this.box.x} ${this.box.y} ${this.box.w} ${this.box.h}`);
  }

  magnify(u, v) {
    const w = 310 / this.magnification, h = 230 / this.magnification;
    $("magnifier").setAttribute("viewBox", `${u - w / 2} ${v - h / 2} ${w} ${h}`);
    $("where").textContent = `${u.toFixed(1)}, ${v.toFixed(1)} px`;
    $("cross").replaceChildren();
    for (const [dx, dy] of [[1, 0], [0, 1]])
      for (const s of [-1, 1])
        element("line", {x1: u + s * dx, y1: v + s * dy, x2: u + s * dx * w, y2: v + s * dy * w, stroke: "#000", "stroke-width": 1, "stroke-opacity": 0.55}, $("cross"));
  }

  // A place, moved into the picture where it lies beside it.
  inside(u, v) {
    const {width, height} = this.size();
    return [Math.min(Math.max(u, -0.5), width - 0.5), Math.min(Math.max(v, -0.5), height - 0.5)];
  }
}
