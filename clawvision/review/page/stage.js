// The photo with what is drawn on it: shown as SVG in the photo's own pixels, moved and enlarged by its view box.
// It knows pointers and keys; what they mean for the drawing is told through the callbacks of `on`.

import * as geometry from "./geometry.js";
import { AXIS, LETTERS } from "./state.js";

const NS = "http://www.w3.org/2000/svg";
const REACH = { mouse: 14, pen: 18, touch: 28 }; // screen pixels around a point in which it is taken
const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
export const HANDLE_COUNT = 36;

function node(name, attributes = {}, ...children) {
  const out = document.createElementNS(NS, name);
  for (const [key, value] of Object.entries(attributes)) out.setAttribute(key, value);
  out.append(...children);
  return out;
}

const path = (points, closed) => points.map((p, i) => `${i ? "L" : "M"}${p[0]} ${p[1]}`).join("") + (closed ? "Z" : "");

export class Stage {
  constructor(svg, on) {
    this.svg = svg;
    this.on = on;
    this.pointers = new Map();
    this.drag = null;
    this.items = [];
    this.box = [0, 0, 1, 1];
    this.picture = node("image");
    this.layer = node("g");
    svg.append(this.picture, this.layer);
    svg.addEventListener("pointerdown", (event) => this.down(event));
    svg.addEventListener("pointermove", (event) => this.move(event));
    svg.addEventListener("pointerup", (event) => this.up(event));
    svg.addEventListener("pointercancel", (event) => this.up(event, true));
    svg.addEventListener("wheel", (event) => this.wheel(event), { passive: false });
    svg.addEventListener("keydown", (event) => this.key(event));
    new ResizeObserver(() => this.scaled()).observe(svg);
  }

  // --- the picture and its part that shows

  open(address, width, height) {
    this.size = [width, height];
    this.picture.setAttribute("width", width);
    this.picture.setAttribute("height", height);
    // The centre of the top left pixel is (0, 0).
    this.picture.setAttribute("x", -0.5);
    this.picture.setAttribute("y", -0.5);
    this.picture.setAttribute("href", address);
    this.fit();
  }

  fit() {
    this.look([-0.5, -0.5, ...this.size]);
  }

  // Show the drawing with some room around it.
  lookAt(points) {
    if (!points.length) return this.fit();
    const [xs, ys] = [points.map((p) => p[0]), points.map((p) => p[1])];
    const low = [Math.min(...xs), Math.min(...ys)];
    const size = [Math.max(...xs) - low[0], Math.max(...ys) - low[1]];
    const room = 0.2 * Math.max(...size);
    return this.look([low[0] - room, low[1] - room, size[0] + 2 * room, size[1] + 2 * room]);
  }

  look(box) {
    this.box = box;
    this.svg.setAttribute("viewBox", box.join(" "));
    this.scaled();
  }

  // Photo pixels per screen pixel.
  get unit() {
    const matrix = this.svg.getScreenCTM();
    return matrix ? 1 / matrix.a : 1;
  }

  at(event) {
    const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(this.svg.getScreenCTM().inverse());
    return [point.x, point.y];
  }

  zoom(factor, at) {
    const [x, y, w, h] = this.box;
    const centre = at || [x + w / 2, y + h / 2];
    const width = Math.min(Math.max(w / factor, 20), 4 * this.size[0]);
    const share = width / w;
    this.look([centre[0] - share * (centre[0] - x), centre[1] - share * (centre[1] - y), width, h * share]);
  }

  pan(dx, dy) {
    this.look([this.box[0] - dx, this.box[1] - dy, this.box[2], this.box[3]]);
  }

  wheel(event) {
    event.preventDefault();
    this.zoom(Math.exp(-event.deltaY / 400), this.at(event));
  }

  // --- drawing

  draw(drawing, active, derived, guides, tool) {
    const focused = this.svg.contains(document.activeElement) ? document.activeElement.dataset.key : null;
    this.layer.replaceChildren();
    this.items = [];
    this.tool = tool;
    for (const guide of guides) this.layer.append(node("path", { class: "guide", d: path(guide, false) }));
    for (const [name, claw] of Object.entries(drawing.claws)) {
      if (claw.outline) {
        const d = path(claw.outline, true);
        const rest = name === active ? "" : " resting";
        this.layer.append(
          node("path", { class: `casing${rest}`, d }),
          node("path", { class: `line ${name}${rest}`, d, "data-claw": name }),
        );
      }
    }
    const claw = drawing.claws[active];
    if (tool === "move" || tool === "mark") {
      const marks = { ...(derived[active] || {}), ...(claw ? claw.landmarks : {}) };
      for (const letter of LETTERS[drawing.view] || []) {
        if (marks[letter]) this.mark(active, letter, marks[letter], !(claw && claw.landmarks[letter]));
      }
      if (claw && claw.outline && tool === "move") {
        const chosen = geometry.handles(claw.outline, HANDLE_COUNT);
        chosen.forEach((index, k) => this.handle(active, index, k, chosen.length, claw.outline[index]));
      }
    }
    if (tool === "horn" || tool === "other") {
      const seeds = drawing.seeds[active] || { horn: [], other: [] };
      for (const kind of ["horn", "other"]) seeds[kind].forEach((point) => this.seed(kind, point));
    }
    if (drawing.legAxis) {
      this.layer.append(node("path", { class: "casing", d: path(drawing.legAxis) }));
      this.layer.append(node("path", { class: "guide", d: path(drawing.legAxis) }));
      drawing.legAxis.forEach((point, which) => this.cross("axis", which, point, AXIS[which]));
    }
    if (drawing.points) {
      const [x1, y1, x2, y2] = drawing.points;
      this.layer.append(node("path", { class: "casing", d: path([[x1, y1], [x2, y2]]) }));
      this.layer.append(node("path", { class: "guide", d: path([[x1, y1], [x2, y2]]) }));
      this.cross("scale", 0, [x1, y1], "scale 1");
      this.cross("scale", 1, [x2, y2], "scale 2");
    }
    this.scaled();
    if (focused) this.focus(focused);
  }

  focus(key) {
    const item = this.items.find((each) => each.key === key);
    if (item) item.node.focus({ preventScroll: true });
  }

  add(item, shape, attributes) {
    const group = node("g", { ...attributes, tabindex: 0, "data-key": item.key }, ...shape);
    this.layer.append(group);
    this.items.push({ ...item, node: group });
  }

  handle(claw, index, k, count, point) {
    this.add(
      { key: `handle ${k}`, kind: "handle", claw, index, point },
      [node("circle", { r: 5 })],
      { class: "handle", role: "button", "aria-label": `Outline point ${k + 1} of ${count}, ${claw} claw` },
    );
  }

  mark(claw, letter, point, derived) {
    const text = node("text", { x: 14, y: 5, "font-size": 15 }, letter);
    const how = derived ? "found by the program" : "placed by hand";
    this.add(
      { key: `mark ${letter}`, kind: "mark", claw, letter, point },
      [node("path", { d: "M0 -11L11 0L0 11L-11 0Z" }), text],
      { class: derived ? "mark derived" : "mark", role: "button", "aria-label": `Landmark ${letter}, ${claw} claw, ${how}` },
    );
  }

  // An end of a line that a person set: of known length, or along the leg.
  cross(kind, which, point, words) {
    const text = node("text", { x: 12, y: 5, "font-size": 15 }, words);
    this.add(
      { key: `${kind} ${which}`, kind, which, point },
      [node("path", { d: "M-8 -8L8 8M8 -8L-8 8M-8 -8L8 -8L8 8L-8 8Z" }), text],
      { class: "mark", role: "button", "aria-label": `Point: ${words}` },
    );
  }

  seed(kind, point) {
    const sign = node("text", { y: 5, "text-anchor": "middle", "font-size": 15 }, kind === "horn" ? "+" : "−");
    const group = node("g", { class: "seed" }, node("circle", { r: 8 }), sign);
    this.layer.append(group);
    this.items.push({ key: "", kind: "seed", point, node: group });
  }

  // Points keep their size on the screen, however far the picture is enlarged.
  scaled() {
    const unit = this.unit;
    for (const item of this.items) {
      item.node.setAttribute("transform", `translate(${item.point[0]} ${item.point[1]}) scale(${unit})`);
    }
  }

  // --- pointers

  nearest(at, type) {
    const reach = (REACH[type] || REACH.mouse) * this.unit;
    let best = null;
    let least = reach;
    for (const item of this.items) {
      if (item.kind === "seed") continue;
      // Landmarks lie on the outline: they come first.
      const way = Math.hypot(item.point[0] - at[0], item.point[1] - at[1]) - (item.kind === "handle" ? 0 : 0.4 * reach);
      if (way < least) [best, least] = [item, way];
    }
    return best;
  }

  down(event) {
    if (!this.size || event.button > 0) return;
    event.preventDefault();
    this.svg.setPointerCapture(event.pointerId);
    this.pointers.set(event.pointerId, [event.clientX, event.clientY]);
    if (this.pointers.size === 2) {
      if (this.drag && this.drag.item) this.on.cancel();
      if (this.line) this.line.remove();
      this.drag = { kind: "pinch" };
      return;
    }
    const at = this.at(event);
    const item = ["move", "scale", "mark"].includes(this.tool) ? this.nearest(at, event.pointerType) : null;
    if (item) {
      item.node.focus({ preventScroll: true });
      this.drag = { kind: "item", item, from: at, moved: false };
    } else if (this.tool === "redraw") {
      this.line = node("path", { class: "stroke" });
      this.layer.append(this.line);
      this.drag = { kind: "stroke", points: [at] };
    } else {
      this.drag = { kind: "pan", from: at, start: [event.clientX, event.clientY] };
    }
  }

  move(event) {
    if (!this.pointers.has(event.pointerId)) return;
    const before = [...this.pointers.values()];
    this.pointers.set(event.pointerId, [event.clientX, event.clientY]);
    const drag = this.drag;
    if (!drag) return;
    if (drag.kind === "pinch" && this.pointers.size === 2) {
      const now = [...this.pointers.values()];
      const middle = (p) => ({ clientX: (p[0][0] + p[1][0]) / 2, clientY: (p[0][1] + p[1][1]) / 2 });
      const way = (p) => Math.max(Math.hypot(p[0][0] - p[1][0], p[0][1] - p[1][1]), 1);
      const [from, to] = [this.at(middle(before)), this.at(middle(now))];
      this.pan(to[0] - from[0], to[1] - from[1]);
      this.zoom(way(now) / way(before), this.at(middle(now)));
      return;
    }
    const at = this.at(event);
    if (drag.kind === "item") {
      drag.moved = true;
      this.on.drag(drag.item, at[0] - drag.from[0], at[1] - drag.from[1]);
    } else if (drag.kind === "stroke") {
      drag.points.push(at);
      this.line.setAttribute("d", path(drag.points, false));
    } else if (drag.kind === "pan") {
      this.pan(at[0] - drag.from[0], at[1] - drag.from[1]);
    }
  }

  up(event, cancelled = false) {
    if (!this.pointers.delete(event.pointerId)) return;
    const drag = this.drag;
    if (drag && drag.kind === "pinch" && this.pointers.size) return;
    this.drag = null;
    if (!drag || cancelled) {
      if (drag && drag.kind === "item") this.on.cancel();
      if (this.line) this.line.remove();
      return;
    }
    const at = this.at(event);
    if (drag.kind === "item" && drag.moved) this.on.drop(drag.item);
    if (drag.kind === "stroke") {
      this.line.remove();
      this.on.stroke(drag.points);
    }
    if (drag.kind === "pan") {
      const way = Math.hypot(event.clientX - drag.start[0], event.clientY - drag.start[1]);
      if (way < 6) this.on.click(at);
    }
  }

  // --- keys

  key(event) {
    const step = ARROWS[event.key];
    const item = this.items.find((each) => each.node === document.activeElement);
    if (item && (event.key === "Delete" || event.key === "Backspace")) {
      event.preventDefault();
      this.on.remove(item);
      return;
    }
    if (!step || !item || event.ctrlKey || event.altKey || event.metaKey) return;
    event.preventDefault();
    const far = event.shiftKey ? 10 : 1;
    this.on.nudge(item, step[0] * far, step[1] * far);
  }
}
