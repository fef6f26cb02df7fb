// Altitude against downrange, and pitch against time, of the chosen vehicle; they grow as it flies.
/* global uPlot */
import { number } from "./words.js";

const MOST_VEHICLES = 8; // drawn behind the chosen one
const POINTS_KEPT = 3000;
const GAP_S = 30; // of vehicle time; what lies between states further apart is not known, and not drawn
const MANY_POINTS = 700; // of a curve: those may have been thinned, and are far apart for that reason alone
const AHEAD = 0.12; // of what has been flown, kept free for what comes

/** The two charts and the columns they are drawn from. */
export class Curves {
  constructor(altitudeBox, pitchBox, fetchCurve) {
    this.boxes = { altitude: altitudeBox, pitch: pitchBox };
    this.fetchCurve = fetchCurve;
    this.columns = new Map(); // vehicle -> columns, or what is awaited
    this.charts = {};
    this.shape = "";
    this.chosen = null;
    this.names = [];
    this.untilS = Infinity;
    new ResizeObserver(() => this.resize()).observe(altitudeBox);
  }

  /** Which vehicle is in front; `names` are all. */
  choose(vehicle, names) {
    this.chosen = vehicle;
    this.names = names.length <= MOST_VEHICLES ? names : [vehicle];
    for (const name of this.names) this.want(name);
  }

  want(name) {
    if (this.columns.has(name)) return;
    const awaited = { newer: [] }; // moments that come while the curve is on its way
    this.columns.set(name, awaited);
    this.fetchCurve(name).then((columns) => {
      if (this.columns.get(name) !== awaited) return;
      this.columns.set(name, columns);
      for (const moment of awaited.newer) this.grow(moment);
      this.draw();
    }, () => this.columns.delete(name));
  }

  /** Forget everything: fetched anew when wanted. */
  forget() {
    this.columns.clear();
    for (const name of this.names) this.want(name);
  }

  /** A new moment of a vehicle, while live. */
  grow(moment) {
    const c = this.columns.get(moment.vehicle);
    if (!c || moment.time_s === undefined) return;
    if (c.newer) {
      c.newer.push(moment);
      return;
    }
    if (c.wall_s.length && moment.wall_s <= c.wall_s[c.wall_s.length - 1]) return; // known already
    c.wall_s.push(moment.wall_s);
    c.time_s.push(moment.time_s);
    c.downrange_km.push(moment.downrange_m === undefined ? null : moment.downrange_m / 1000);
    c.altitude_km.push(moment.altitude_m === undefined ? null : moment.altitude_m / 1000);
    c.pitch_deg.push(moment.pitch_deg);
    c.flown_pitch_deg.push(moment.flown_pitch_deg ?? null);
    if (c.time_s.length > POINTS_KEPT) for (const column of Object.values(c)) thin(column);
  }

  /** Draw what is known up to `untilS` on the recording's clock; what comes later stays faint. */
  draw(untilS = this.untilS) {
    this.untilS = untilS;
    const mine = this.columns.get(this.chosen);
    if (!mine || mine.newer) return;
    const behind = this.names.filter((name) => name !== this.chosen && this.columns.get(name)?.wall_s);
    const upTo = indexAfter(mine.wall_s, untilS);
    const whole = forward(mine, mine.wall_s.length);
    const past = forward(mine, upTo);
    this.extents = {
      altitude: [extent(pick(past, mine.downrange_km)), extent(pick(past, mine.altitude_km))],
      pitch: [extent(pick(past, mine.time_s)), extent([...pick(past, mine.pitch_deg), ...pick(past, mine.flown_pitch_deg)])],
    };
    for (const name of behind) { // from where they began: a carrier's curve is seen to join
      const c = this.columns.get(name);
      const kept = forward(c, indexAfter(c.wall_s, untilS));
      [c.downrange_km, c.altitude_km].forEach((column, k) => {
        const axis = this.extents.altitude[k];
        if (kept.length) axis[0] = Math.min(axis[0], extent(pick(kept, column))[0]);
      });
    }
    this.put("altitude", `${this.chosen}|${behind}`, behind.length, joined([
      ...behind.map((name) => {
        const c = this.columns.get(name);
        const kept = forward(c, indexAfter(c.wall_s, untilS));
        return broken(c, kept, c.downrange_km, c.altitude_km);
      }),
      broken(mine, whole, mine.downrange_km, mine.altitude_km),
      broken(mine, past, mine.downrange_km, mine.altitude_km),
      [last(past, mine.downrange_km), last(past, mine.altitude_km)],
    ]));
    this.put("pitch", this.chosen, 0, joined([
      broken(mine, whole, mine.time_s, mine.pitch_deg),
      broken(mine, past, mine.time_s, mine.pitch_deg),
      [last(past, mine.time_s), last(past, mine.pitch_deg)],
      broken(mine, past, mine.time_s, mine.flown_pitch_deg),
    ]));
    this.tell(mine, past);
  }

  put(which, shape, behind, data) {
    const chart = this.charts[which];
    if (chart && chart.shape === shape) {
      chart.plot.setData(data);
      return;
    }
    if (chart) chart.plot.destroy();
    this.charts[which] = { shape, plot: new uPlot(this.options(which, behind), data, this.boxes[which]) };
  }

  options(which, behind) {
    const css = getComputedStyle(document.documentElement);
    const colour = (name) => css.getPropertyValue(name).trim();
    const line = (stroke, width, more = {}) => ({ stroke, width, spanGaps: false, points: { show: false, filter: besideGaps, size: 5, fill: stroke, stroke }, ...more });
    const dot = line("transparent", 0, { points: { show: true, size: 9, fill: colour("--curve"), stroke: colour("--surface"), width: 2 } });
    const grey = Array.from({ length: behind }, () => line(colour("--behind"), 1.5));
    const series = [{}, ...grey, line(colour("--faint"), 1.5), line(colour("--curve"), 2.5), dot];
    if (which === "pitch") series.push(line(colour("--second"), 2, { dash: [5, 4] }));
    const axis = { stroke: colour("--muted"), font: "12px system-ui, sans-serif", grid: { stroke: colour("--line"), width: 1 }, ticks: { show: false } };
    return {
      ...this.size(which), series, legend: { show: false }, cursor: { show: false }, padding: [10, 24, 0, 0],
      scales: {
        x: { time: false, range: () => padded(this.extents[which][0], 0, AHEAD) },
        y: { range: () => padded(this.extents[which][1], AHEAD / 2, AHEAD / 2) },
      },
      axes: [{ ...axis, size: 30, values: labels }, { ...axis, size: 46, values: labels }],
    };
  }

  size(which) {
    const box = this.boxes[which];
    return { width: Math.max(box.clientWidth, 200), height: Math.max(box.clientHeight, 140) };
  }

  resize() {
    for (const [which, chart] of Object.entries(this.charts)) chart.plot.setSize(this.size(which));
  }

  /** The colours are others: draw with them. */
  repaint() {
    for (const chart of Object.values(this.charts)) chart.plot.destroy();
    this.charts = {};
    this.draw();
  }

  tell(c, past) {
    const i = past[past.length - 1];
    const here = i === undefined ? "no point yet" : `now ${Math.round(c.altitude_km[i] ?? 0)} km high, ${Math.round(c.downrange_km[i] ?? 0)} km downrange`;
    const pitch = i === undefined ? "no point yet" : `now ${c.pitch_deg[i].toFixed(1)} deg at ${Math.round(c.time_s[i])} s`;
    this.boxes.altitude.setAttribute("aria-label", `Altitude against downrange of ${this.chosen}: ${here}`);
    this.boxes.pitch.setAttribute("aria-label", `Pitch against vehicle time of ${this.chosen}: ${pitch}`);
    this.boxes.altitude.dataset.points = this.boxes.pitch.dataset.points = String(past.length);
  }
}

/** A range with room around what has been flown, in parts of it: what comes later reaches in from the edge. */
function padded([low, high], before, after) {
  const span = Math.max(high - low, 1);
  return [low - before * span, high + after * span];
}

/** Smallest and largest of a column. */
function extent(column) {
  let [low, high] = [Infinity, -Infinity];
  for (const value of column) {
    if (value === null || value === undefined) continue;
    if (value < low) low = value;
    if (value > high) high = value;
  }
  return low <= high ? [low, high] : [0, 1];
}

/** Axis labels, as many decimals as their step needs. */
function labels(_plot, values) {
  const step = values.length > 1 ? Math.abs(values[1] - values[0]) : 1;
  return values.map((value) => number(value, step >= 1 ? 0 : step >= 0.1 ? 1 : 2));
}

/** How many of a rising column are not after a value. */
function indexAfter(column, value) {
  let low = 0;
  let high = column.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (column[middle] <= value) low = middle + 1;
    else high = middle;
  }
  return low;
}

/** Indexes of the first `upTo` points; time that goes back takes what came later away, as the session does. */
function forward(c, upTo) {
  const kept = [];
  for (let i = 0; i < upTo; i++) {
    while (kept.length && c.time_s[kept[kept.length - 1]] >= c.time_s[i]) kept.pop();
    kept.push(i);
  }
  return kept;
}

function pick(indexes, column) {
  return indexes.map((i) => column[i]);
}

/** One table of all lines; a gap reaches to the line's own points on both sides, whatever others have in between. */
function joined(lines) {
  return uPlot.join(lines.map(sortedByFirst), lines.map(() => [0, 2]));
}

/** Columns of a line that is broken where states are too far apart to tell what lay between. */
function broken(c, indexes, xs, ys) {
  const steps = indexes.slice(1).map((i, k) => c.time_s[i] - c.time_s[indexes[k]]);
  const usual = steps.length < MANY_POINTS ? 0 : [...steps].sort((a, b) => a - b)[steps.length >> 1];
  const limit = Math.max(GAP_S, 5 * usual);
  const out = [[], []];
  indexes.forEach((i, k) => {
    const before = indexes[k - 1];
    if (k && steps[k - 1] > limit && xs[before] !== null && xs[i] !== null) {
      out[0].push((xs[before] + xs[i]) / 2);
      out[1].push(null);
    }
    out[0].push(xs[i]);
    out[1].push(ys[i]);
  });
  return out;
}

/** Which points get a dot: those beside a gap. Where another line has a point, this one's value is undefined. */
function besideGaps(plot, series) {
  const ys = plot.data[series];
  const dots = [];
  let [before, gap] = [-1, false];
  for (let i = 0; i < ys.length; i++) {
    if (ys[i] === undefined) continue;
    if (ys[i] === null) {
      if (before >= 0 && dots[dots.length - 1] !== before) dots.push(before);
      [before, gap] = [-1, true];
    } else {
      if (gap) dots.push(i);
      [before, gap] = [i, false];
    }
  }
  return dots;
}

function last(indexes, column) {
  return indexes.length ? [column[indexes[indexes.length - 1]]] : [];
}

/** Columns for a chart: x without nulls, rising, each once. */
function sortedByFirst([xs, ys]) {
  const pairs = xs.map((x, i) => [x, ys[i]]).filter(([x]) => x !== null).sort((a, b) => a[0] - b[0]);
  const once = pairs.filter(([x], i) => i === pairs.length - 1 || x !== pairs[i + 1][0]);
  return [once.map(([x]) => x), once.map(([, y]) => y)];
}

function thin(column) {
  const kept = column.filter((_, i) => i % 2 === 0 || i === column.length - 1);
  column.length = 0;
  column.push(...kept);
}
