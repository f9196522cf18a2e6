// What is drawn on the photo at hand, with every step back. A drawing is never changed in place.

import * as geometry from "./geometry.js";

export const VIEWS = ["side", "sole", "front", "rear"];
export const FEET = ["LF", "RF", "LH", "RH"];
export const LETTERS = { side: ["C", "T", "B", "H"], sole: ["T", "K"], front: ["C", "T"], rear: [] };
const MOST_STEPS = 200;

// The claws that a view may show, by the names that its foot allows.
export function clawNames(drawing) {
  const drawn = Object.keys(drawing.claws);
  if (drawing.view === "side") return drawn.length ? drawn.slice(0, 1) : ["outer"];
  const sides = drawn.some((name) => name === "left" || name === "right");
  return sides || (!drawing.foot && !drawn.length && drawing.view === "sole") ? ["left", "right"] : ["outer", "inner"];
}

// The drawing that a photo starts with: its outline file where it has one, else what the program found.
export function begun(photo) {
  const { asked, given, result } = photo;
  const claws = {};
  for (const [name, claw] of Object.entries(result.claws)) {
    claws[name] = { outline: claw.outline_px, landmarks: {} };
  }
  for (const [stated, claw] of Object.entries(given ? given.claws : {})) {
    // A file may leave its claw without a name, or call left what the foot makes outer.
    const name = stated === "claw" ? asked.claw || Object.keys(claws)[0] || "outer" : renamed(stated, claws);
    claws[name] = {
      outline: claw.outline_px || (claws[name] ? claws[name].outline : null),
      landmarks: claw.landmarks_px,
    };
  }
  return {
    view: asked.view || (given && given.view) || result.view || "side",
    foot: asked.foot || (given && given.foot) || null,
    points: asked.points || (given && given.points) || null,
    legAxis: given ? given.leg_axis_px : null,
    claws,
    seeds: {},
  };
}

function renamed(name, claws) {
  if (name in claws || !Object.keys(claws).length) return name;
  return Object.keys(claws).find((each) => each === name) || name;
}

// The members of an outline file. What the manifest names is left to it.
export function members(drawing, photo) {
  const claws = {};
  for (const [name, claw] of Object.entries(drawing.claws)) {
    const part = {};
    if (claw.outline) part.outline_px = claw.outline;
    if (Object.keys(claw.landmarks).length) part.landmarks_px = claw.landmarks;
    if (Object.keys(part).length) claws[name] = part;
  }
  const out = { view: drawing.view, claws };
  if (!photo.asked.foot && drawing.foot) out.foot = drawing.foot;
  if (!photo.asked.points && drawing.points && drawing.points[4] > 0) out.points = drawing.points;
  if (drawing.legAxis) out.leg_axis_px = drawing.legAxis;
  return out;
}

export const withClaw = (drawing, name, changes) => ({
  ...drawing,
  claws: { ...drawing.claws, [name]: { outline: null, landmarks: {}, ...drawing.claws[name], ...changes } },
});

export function withLandmark(drawing, name, letter, point) {
  const claw = drawing.claws[name] || { landmarks: {} };
  return withClaw(drawing, name, { landmarks: { ...claw.landmarks, [letter]: point } });
}

// How far along the outline a pulled point takes its neighbours with it.
export const pullReach = (outline, count) => (1.6 * geometry.along(outline)[outline.length]) / count;

// The steps: one drawing after the other.
export class Steps {
  constructor(drawing) {
    this.past = [];
    this.now = drawing;
    this.future = [];
    this.saved = drawing;
  }

  do(drawing) {
    this.past.push(this.now);
    if (this.past.length > MOST_STEPS) this.past.shift();
    this.now = drawing;
    this.future = [];
  }

  // A change that belongs to the last step, such as the way to the edge after a drag.
  amend(drawing) {
    this.now = drawing;
  }

  undo() {
    if (!this.past.length) return false;
    this.future.push(this.now);
    this.now = this.past.pop();
    return true;
  }

  redo() {
    if (!this.future.length) return false;
    this.past.push(this.now);
    this.now = this.future.pop();
    return true;
  }
}
