// The page put together: a photo is opened, the drawing is changed step by step, each change is measured, and saved.

import * as geometry from "./geometry.js";
import * as panel from "./panel.js";
import * as server from "./server.js";
import { HANDLE_COUNT, Stage } from "./stage.js";
import {
  AXIS, FEET, LETTERS, Steps, VIEWS, begun, clawNames, members, pullReach, renamed, withAxisPoint, withClaw, withLandmark,
  withoutLandmark, withoutSeeds,
} from "./state.js";

const MEASURE_AFTER_MS = 250;
const SNAP_REACH = 8; // screen pixels to both sides in which the edge is looked for
const NAME_KEY = "clawvision-review-by";
const byId = (id) => document.getElementById(id);

let photos = [];
let words = { measures: {} };
let photo = null;
let steps = null;
let result = null;
let before = null;
let active = "outer";
let tool = "move";
let origin = null; // the drawing as it was when a drag began
let timer = 0;
let asking = null; // the measuring in progress
let busy = 0; // questions to the server that change the drawing

// For scripts that drive the page: what is drawn, and whether an answer is awaited.
window.review = {
  get drawing() { return steps ? structuredClone(steps.now) : null; },
  get idle() { return !timer && !asking && !busy && photo !== null; },
  get result() { return result; },
  toScreen(point) {
    const at = new DOMPoint(point[0], point[1]).matrixTransform(byId("stage").getScreenCTM());
    return [at.x, at.y];
  },
};

const stage = new Stage(byId("stage"), {
  drag(item, dx, dy) {
    origin = origin || steps.now;
    steps.now = moved(origin, item, dx, dy);
    show();
  },
  async drop(item) {
    const [from, now] = [origin, steps.now];
    origin = null;
    steps.now = from;
    change(now);
    if (item.kind === "handle") await toEdge(item.claw, ...handleStretch(now, item));
  },
  cancel() {
    if (origin) steps.now = origin;
    origin = null;
    show();
  },
  nudge(item, dx, dy) {
    change(moved(steps.now, item, dx, dy));
  },
  async stroke(points) {
    const claw = steps.now.claws[active];
    const made = points.length > 2 ? geometry.redrawn(claw && claw.outline, points, Math.max(2 * stage.unit, 1)) : null;
    if (!made) {
      tell(claw && claw.outline ? "Draw along the stretch to change." : "Draw all around the horn, back to where you began.");
      show();
      return;
    }
    change(withoutSeeds(withClaw(steps.now, active, { outline: made.outline }), active));
    await toEdge(active, made.first, made.last);
  },
  click(at) {
    if (tool === "horn" || tool === "other") seed(at);
    else if (tool === "scale") scaleClick(at);
    else if (tool === "mark") place(at);
  },
  remove(item) {
    if (item.kind === "mark" && steps.now.claws[item.claw]?.landmarks[item.letter]) {
      change(withoutLandmark(steps.now, item.claw, item.letter));
    } else if (item.kind === "axis") change({ ...steps.now, legAxis: null });
    else if (item.kind === "scale" && !photo.asked.points) change({ ...steps.now, points: null });
  },
});

// --- changes

function moved(drawing, item, dx, dy) {
  if (item.kind === "handle") {
    const outline = drawing.claws[item.claw].outline;
    const put = geometry.pulled(outline, item.index, dx, dy, pullReach(outline, HANDLE_COUNT));
    return withoutSeeds(withClaw(drawing, item.claw, { outline: put }), item.claw);
  }
  const point = [item.point[0] + dx, item.point[1] + dy];
  if (item.kind === "mark") return withLandmark(drawing, item.claw, item.letter, point);
  if (item.kind === "axis") return withAxisPoint(drawing, item.which, point);
  if (photo.asked.points) return drawing; // the manifest's own
  const points = [...drawing.points];
  points.splice(2 * item.which, 2, ...point);
  return { ...drawing, points };
}

function handleStretch(drawing, item) {
  const outline = drawing.claws[item.claw].outline;
  return geometry.stretch(outline, item.index, pullReach(outline, HANDLE_COUNT));
}

function change(drawing) {
  steps.do(drawing);
  tell("");
  show();
  measureSoon();
}

async function toEdge(claw, first, last) {
  if (!byId("snap").checked) return;
  const asked = steps.now;
  await serverWork(async () => {
    const outline = asked.claws[claw].outline;
    const reach = Math.min(SNAP_REACH * stage.unit, 200);
    const answer = await server.snap(photo.index, { outline, first, last, reach });
    if (steps.now !== asked) return; // a later change counts more
    steps.amend(withClaw(asked, claw, { outline: answer.outline }));
    show();
    measureSoon();
  });
}

async function seed(at) {
  const claw = steps.now.claws[active];
  const outline = claw ? claw.outline : null;
  // Clicks that began without an outline may change all of what they made.
  const seeds = steps.now.seeds[active] || { horn: [], other: [], anew: !outline };
  const next = { ...seeds, [tool]: [...seeds[tool], at] };
  const marked = { ...steps.now, seeds: { ...steps.now.seeds, [active]: next } };
  change(marked);
  await serverWork(async () => {
    const neighbours = Object.entries(marked.claws).filter(([name, each]) => name !== active && each.outline);
    const answer = await server.segment(photo.index, {
      horn: next.horn,
      other: next.other,
      outline,
      anew: seeds.anew,
      neighbours: neighbours.map(([, each]) => each.outline),
    });
    if (steps.now !== marked) return;
    steps.amend(withClaw(marked, active, { outline: answer.outline }));
    show();
    measureSoon();
  });
}

// Put the chosen landmark where the click was, and choose the next one.
function place(at) {
  const select = byId("letter");
  const which = AXIS.indexOf(select.value);
  change(which < 0 ? withLandmark(steps.now, active, select.value, at) : withAxisPoint(steps.now, which, at));
  select.selectedIndex = (select.selectedIndex + 1) % select.options.length;
}

function scaleClick(at) {
  if (photo.asked.points) return tell("The manifest names the scale points. Change them there.");
  const points = steps.now.points;
  const mm = Number(byId("mm").value) || 0;
  if (!points) return change({ ...steps.now, points: [...at, at[0] + 60 * stage.unit, at[1], mm] });
  return change({ ...steps.now, points: [...points.slice(0, 2), ...at, mm] });
}

async function serverWork(work) {
  busy += 1;
  try {
    await work();
  } catch (error) {
    tell(error.message);
  } finally {
    busy -= 1;
  }
}

// --- measuring

function measureSoon() {
  clearTimeout(timer);
  timer = setTimeout(measureNow, MEASURE_AFTER_MS);
}

async function measureNow() {
  timer = 0;
  if (asking) asking.abort();
  asking = null;
  if (!Object.keys(members(steps.now, photo).claws).length) {
    byId("live").textContent = "Nothing is drawn yet.";
    return;
  }
  const controller = new AbortController();
  asking = controller;
  byId("live").textContent = "Measuring.";
  try {
    const drawn = steps.now;
    const measured = await server.measure(photo.index, members(drawn, photo), controller.signal);
    if (asking !== controller) return;
    const named = renamed(drawn, measured.claws);
    if (steps.now === drawn && named !== drawn) {
      if (steps.saved === drawn) steps.saved = named;
      steps.amend(named);
      showFields();
    }
    [before, result] = [result, measured];
    byId("live").textContent = panel.spoken(result, active, words.measures);
    showResult();
    show();
  } catch (error) {
    if (error.name !== "AbortError") byId("live").textContent = error.message;
  } finally {
    if (asking === controller) asking = null;
  }
}

// --- showing

function show() {
  const derived = {};
  const guides = [];
  if (result) {
    for (const [name, claw] of Object.entries(result.claws)) {
      derived[name] = claw.landmarks_px;
      if (name === active && claw.guides_px.bearing_line) guides.push(claw.guides_px.bearing_line);
    }
  }
  stage.draw(steps.now, active, derived, guides, tool);
  byId("undo").disabled = !steps.past.length;
  byId("redo").disabled = !steps.future.length;
}

function showResult() {
  byId("status").textContent = words.status[result.status] || result.status;
  panel.showReasons(byId("reasons"), result.reasons);
  panel.showMeasures(byId("measures"), result, before, words.measures);
}

function showFields() {
  const { asked } = photo;
  panel.fillSelect(byId("view"), VIEWS, steps.now.view, "", Boolean(asked.view));
  panel.fillSelect(byId("foot"), FEET, steps.now.foot, "unknown", Boolean(asked.foot));
  byId("mm").value = steps.now.points ? steps.now.points[4] || "" : "";
  byId("mm").disabled = Boolean(asked.points);
  const letters = [...LETTERS[steps.now.view], ...(steps.now.view === "rear" ? AXIS : [])];
  panel.fillSelect(byId("letter"), letters, letters[0], "", false);
  const locked = ["view", "foot", "points"].filter((key) => asked[key]);
  byId("locked").textContent = locked.length ? `The manifest names ${locked.join(" and ")}: change it there.` : "";
  const names = photo.asked.claw && steps.now.view === "side" ? [photo.asked.claw]
    : steps.now.view === "side" ? ["outer", "inner"] : clawNames(steps.now);
  if (!names.includes(active)) active = Object.keys(steps.now.claws)[0] || names[0];
  panel.showClaws(byId("claws"), names, active, chooseClaw);
}

function chooseClaw(name) {
  // A side view shows one claw: another name means that it is the other one.
  if (steps.now.view === "side" && steps.now.claws[active] && !steps.now.claws[name]) {
    const { [active]: claw, ...others } = steps.now.claws;
    active = name;
    change({ ...steps.now, claws: { ...others, [name]: claw } });
    return;
  }
  active = name;
  show();
}

function tell(text) {
  byId("told").textContent = text;
}

// --- opening and saving

let wanted = -1; // the photo last asked for: an answer about an earlier one comes too late

async function open(index) {
  if (steps && steps.now !== steps.saved && !window.confirm("Leave this photo without saving what you changed?")) return;
  clearTimeout(timer);
  timer = 0;
  if (asking) asking.abort();
  const left = photo;
  photo = null;
  wanted = index;
  await serverWork(async () => {
    const opened = await server.photo(index);
    if (index !== wanted) return;
    photo = opened;
    steps = new Steps(begun(opened));
    [before, result] = [null, opened.result];
    active = Object.keys(steps.now.claws)[0] || clawNames(steps.now)[0];
    byId("title").textContent = opened.name;
    const empty = Object.values(steps.now.claws).every((claw) => !claw.outline);
    tell(opened.note || (empty ? "There is no outline: draw it with Redraw, all around, or click on the horn." : ""));
    byId("live").textContent = "";
    stage.open(server.pictureAddress(index), opened.width, opened.height);
    stage.lookAt(Object.values(steps.now.claws).flatMap((claw) => claw.outline || []));
    showFields();
    showResult();
    show();
    showList();
    if (opened.given) measureSoon(); // the file may be newer than the assessment
  });
  photo = photo || left; // a photo that cannot be read is told, and the one before stays
}

async function save() {
  if (!photo) return;
  const by = byId("by").value.trim();
  if (!by) {
    tell("Say who you are first.");
    byId("by").focus();
    return;
  }
  localStorage.setItem(NAME_KEY, by);
  const [own, of, saved] = [photo, steps, steps.now];
  await serverWork(async () => {
    const answer = await server.save(own.index, members(saved, own), by);
    of.saved = saved;
    photos = photos.map((each) => (each.index === own.index ? { ...each, drawn: true } : each));
    showList();
    if (photo !== own) return; // another one was opened meanwhile
    [before, result] = [result, answer.result];
    showResult();
    tell(`Saved as ${answer.file}. It counts when clawvision assess is run again.`);
  });
}

function showList() {
  panel.showList(byId("photos"), photos, photo && photo.index, open);
  byId("progress").textContent = panel.progressText(photos);
}

// --- keys and buttons

function step(direction) {
  if (!steps || !steps[direction]()) return;
  showFields();
  show();
  measureSoon();
}

document.addEventListener("keydown", (event) => {
  const typing = event.target.matches("input:not([type=radio]):not([type=checkbox]), select, textarea");
  const key = event.key.toLowerCase();
  if (event.ctrlKey || event.metaKey) {
    if (typing || (key !== "z" && key !== "y" && key !== "s")) return;
    event.preventDefault();
    if (key === "s") save();
    else step(key === "y" || event.shiftKey ? "redo" : "undo");
  } else if (key === "s" && !typing) {
    event.preventDefault();
    save();
  }
});

byId("tools").addEventListener("change", (event) => {
  tool = event.target.value;
  if (steps) show();
});
byId("undo").addEventListener("click", () => step("undo"));
byId("redo").addEventListener("click", () => step("redo"));
byId("zoom-in").addEventListener("click", () => stage.zoom(1.4));
byId("zoom-out").addEventListener("click", () => stage.zoom(1 / 1.4));
byId("fit").addEventListener("click", () => stage.fit());
byId("save").addEventListener("click", save);
byId("view").addEventListener("change", (event) => {
  change({ ...steps.now, view: event.target.value });
  showFields();
});
byId("foot").addEventListener("change", (event) => {
  change({ ...steps.now, foot: event.target.value || null });
  showFields();
});
byId("mm").addEventListener("change", (event) => {
  const points = steps.now.points;
  if (points) change({ ...steps.now, points: [...points.slice(0, 4), Number(event.target.value) || 0] });
});
window.addEventListener("beforeunload", (event) => {
  if (steps && steps.now !== steps.saved) event.preventDefault();
});

async function start() {
  byId("by").value = localStorage.getItem(NAME_KEY) || "";
  await serverWork(async () => {
    const answer = await server.photos();
    [photos, words] = [answer.photos, answer.words];
    byId("caution").textContent = words.caution;
    showList();
    await open(0);
  });
}

start();
