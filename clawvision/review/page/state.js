// What is drawn on the photo at hand, with every step back. A drawing is never changed in place.

import * as geometry from "./geometry.js";

export const VIEWS = ["side", "sole", "front", "rear"];
export const FEET = ["LF", "RF", "LH", "RH"];
export const LETTERS = { side: ["C", "T", "B", "H"], sole: ["T", "K"], front: ["C", "T"], rear: [] };
// What can be placed by a click beside the landmarks: the axis of the leg, for a rear view.
export const AXIS = ["upper point of the leg", "lower point of the leg"];
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
  const stated = Object.keys(given ? given.claws : {});
  for (const [name, claw] of Object.entries(result.claws)) {
    // What was measured before the file told the foot may still be called left and right.
    const others = stated.includes("outer") || stated.includes("inner") ? ["left", "right"] : [];
    if (!others.includes(name)) claws[name] = { outline: claw.outline_px, landmarks: {} };
  }
  for (const [called, claw] of Object.entries(given ? given.claws : {})) {
    // A file may leave its claw without a name, or call left what the foot makes outer.
    const unnamed = asked.claw || Object.keys(result.claws)[0] || "outer";
    const name = called === "claw" ? unnamed : finalName(called, claw.outline_px, result.claws);
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

const middle = (points) => [0, 1].map((k) => points.reduce((sum, point) => sum + point[k], 0) / points.length);

// The name that the measured photo gives to a claw: left and right become outer and inner once the foot is known.
function finalName(name, outline, measured) {
  const names = Object.keys(measured);
  if (!["left", "right"].includes(name) || names.includes(name) || !names.length || !outline) return name;
  const [x, y] = middle(outline);
  const way = (each) => {
    const line = measured[each].outline_px;
    if (!line) return Infinity;
    const [u, v] = middle(line);
    return Math.hypot(u - x, v - y);
  };
  return names.reduce((best, each) => (way(each) < way(best) ? each : best));
}

// The drawing with its claws named as the measured photo names them.
export function renamed(drawing, measured) {
  const claws = {};
  for (const [name, claw] of Object.entries(drawing.claws)) claws[finalName(name, claw.outline, measured)] = claw;
  const same = Object.keys(claws).join() === Object.keys(drawing.claws).join();
  return same || Object.keys(claws).length < Object.keys(drawing.claws).length ? drawing : { ...drawing, claws };
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
  const axis = drawing.legAxis;
  if (axis && Math.hypot(axis[1][0] - axis[0][0], axis[1][1] - axis[0][1]) >= 8) out.leg_axis_px = axis;
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

export function withoutLandmark(drawing, name, letter) {
  const { [letter]: _, ...landmarks } = drawing.claws[name].landmarks;
  return withClaw(drawing, name, { landmarks });
}

// What a hand drew counts from then on; earlier clicks no longer do.
export const withoutSeeds = (drawing, name) => ({ ...drawing, seeds: { ...drawing.seeds, [name]: undefined } });

export function withAxisPoint(drawing, which, point) {
  const axis = drawing.legAxis ? [...drawing.legAxis] : [point, point];
  axis[which] = point;
  return { ...drawing, legAxis: axis };
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
