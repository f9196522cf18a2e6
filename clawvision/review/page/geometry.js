// Pure functions on closed outlines: arrays of [x, y] in pixels of the photo, the first point not repeated.

const apart = (a, b) => Math.hypot(a[0] - b[0], a[1] - b[1]);
const modulo = (value, count) => ((value % count) + count) % count;

// Distances along the closed outline up to each point; the whole way round is last.
export function along(outline) {
  const out = [0];
  for (let i = 0; i < outline.length; i += 1) out.push(out[i] + apart(outline[i], outline[(i + 1) % outline.length]));
  return out;
}

// Indices of about `count` points of the outline, evenly spaced along it.
export function handles(outline, count) {
  const ways = along(outline);
  const total = ways[outline.length];
  const found = [];
  let i = 0;
  for (let k = 0; k < count; k += 1) {
    while (i < outline.length - 1 && ways[i] < (k * total) / count) i += 1;
    if (found[found.length - 1] !== i) found.push(i);
  }
  return found;
}

function nearestIndex(outline, point) {
  let best = 0;
  outline.forEach((each, i) => {
    if (apart(each, point) < apart(outline[best], point)) best = i;
  });
  return best;
}

// The outline with one point moved by (dx, dy) and its neighbours with it, less the farther they lie along the line.
export function pulled(outline, index, dx, dy, reach) {
  const ways = along(outline);
  const total = ways[outline.length];
  return outline.map((point, i) => {
    const direct = Math.abs(ways[i] - ways[index]);
    const way = Math.min(direct, total - direct);
    const share = way < reach ? 0.5 + 0.5 * Math.cos((Math.PI * way) / reach) : 0;
    return [point[0] + share * dx, point[1] + share * dy];
  });
}

// First and last index of the stretch that lies within `reach` along the outline of a point.
export function stretch(outline, index, reach) {
  const ways = along(outline);
  const total = ways[outline.length];
  const near = (i) => {
    const direct = Math.abs(ways[modulo(i, outline.length)] - ways[index]);
    return Math.min(direct, total - direct) < reach;
  };
  let first = index;
  let last = index;
  const most = Math.floor(outline.length / 2) - 1;
  while (index - first < most && near(first - 1)) first -= 1;
  while (last - index < most && near(last + 1)) last += 1;
  return [modulo(first, outline.length), modulo(last, outline.length)];
}

// Points of an open line at even steps, both ends included.
function evenly(line, step) {
  const out = [line[0]];
  let left = step;
  for (let i = 1; i < line.length; i += 1) {
    let from = line[i - 1];
    let way = apart(from, line[i]);
    while (way >= left && left > 0) {
      const share = left / way;
      from = [from[0] + share * (line[i][0] - from[0]), from[1] + share * (line[i][1] - from[1])];
      out.push(from);
      way = apart(from, line[i]);
      left = step;
    }
    left -= way;
  }
  if (apart(out[out.length - 1], line[line.length - 1]) > step / 4) out.push(line[line.length - 1]);
  return out;
}

function arc(outline, from, to) {
  const out = [];
  for (let i = from; ; i = (i + 1) % outline.length) {
    out.push(outline[i]);
    if (i === to) return out;
  }
}

const meanWay = (line, other) =>
  line.reduce((sum, point) => sum + Math.min(...other.map((each) => apart(point, each))), 0) / line.length;

// The outline with the stretch that a stroke runs along replaced by the stroke, and where the stroke lies in it.
// A stroke that comes back to its beginning is the whole outline.
export function redrawn(outline, stroke, step) {
  const line = evenly(stroke, step);
  if (line.length < 3) return null;
  const length = step * line.length;
  const whole = apart(line[0], line[line.length - 1]) < 0.12 * length;
  if (!outline || (whole && length > 0.5 * along(outline)[outline.length])) {
    if (line.length < 12 || !whole) return null;
    return { outline: line, first: 0, last: line.length - 1 };
  }
  const a = nearestIndex(outline, line[0]);
  const b = nearestIndex(outline, line[line.length - 1]);
  if (a === b) return null;
  // Of the two ways round from where the stroke leaves the outline to where it comes back, it replaces the nearer one.
  const thin = (points) => points.filter((_, i) => i % Math.ceil(points.length / 60) === 0);
  const forward = arc(outline, a, b);
  const backward = arc(outline, b, a);
  const sample = thin(line);
  const far = (piece) => meanWay(sample, thin(piece)) + meanWay(thin(piece), sample);
  const runsForward = far(forward) <= far(backward);
  const kept = runsForward ? backward.slice(1, -1) : forward.slice(1, -1);
  const put = runsForward ? line : [...line].reverse();
  return { outline: [...put, ...kept], first: 0, last: put.length - 1 };
}
