// One strip a vehicle: is it going well, how long until cutoff, then the numbers.
import { NONE, age, clock, count, km, number } from "./words.js";

const SILENT_S = 3; // beyond what the reply allowed; less is a busy script
const UNSEEN_MS = 2000; // strips out of sight are filled more seldom; a screen reader still finds them

/** A vehicle's strip: built once, filled with what changes, five times a second while it can be seen. */
export class Strip {
  constructor(template, vehicle, onChosen) {
    this.vehicle = vehicle;
    this.root = template.content.firstElementChild.cloneNode(true);
    this.at = {};
    this.last = {};
    for (const element of this.root.querySelectorAll("[data-is]")) this.at[element.dataset.is] = element;
    this.button = this.at.name;
    this.button.textContent = vehicle;
    this.button.addEventListener("click", () => onChosen(vehicle));
    this.visible = true;
    this.drawn = -Infinity;
    this.moment = null;
    this.kind = "idle";
    this.word = "";
  }

  /** Take a moment; `nowS` is the time on the recording's clock that it is looked at. Returns whether the verdict is another. */
  take(moment, nowS) {
    this.moment = moment;
    const before = `${this.kind} ${this.word.replace(/[\d.]+/g, "")}`;
    [this.kind, this.word] = judged(moment, nowS - moment.wall_s);
    if (this.visible || performance.now() - this.drawn > UNSEEN_MS) this.draw(nowS);
    return before !== `${this.kind} ${this.word.replace(/[\d.]+/g, "")}`;
  }

  /** Write what has changed into the page. */
  draw(nowS) {
    const m = this.moment;
    if (m === null) return;
    this.drawn = performance.now();
    if (this.last.kind !== this.kind) this.root.dataset.kind = this.last.kind = this.kind;
    this.write("word", this.word);
    this.write("phase", (m.phase ?? "no state yet").replace("_", " "));
    this.write("role", [m.role, m.plan].filter(Boolean).join(" \u00b7 "));
    this.write("clock", `${clock(m.time_s)}`);
    this.countdown(m);
    this.hide("landing", !m.landing);
    this.hide("orbit", Boolean(m.landing) || m.arrivals !== undefined); // a tower has none of it
    if (m.landing) this.landing(m, m.landing);
    else this.facts(m);
    this.tower(m.landing);
    this.list("arrivals", m.arrivals ?? []);
    this.list("warnings", m.warnings);
    this.link(m, nowS - m.wall_s);
  }

  countdown(m) {
    const burning = m.to_cutoff_s !== null && m.to_cutoff_s !== undefined;
    const coming = m.event && m.event.in_s > 0 ? m.event : null;
    const name = m.event ? m.event.word : "";
    if (burning && m.landing) {
      this.write("bigLabel", "contact in");
      this.write("big", clock(m.landing.contact_in_s));
      this.write("event", coming && coming.act !== "cutoff" && coming.name !== "contact" ? `${name} in ${clock(m.event.in_s)}` : engine(m));
    } else if (burning) {
      this.write("bigLabel", "cutoff in");
      this.write("big", clock(m.to_cutoff_s));
      this.write("event", m.event && m.event.act !== "cutoff" ? `${name} in ${clock(m.event.in_s)}` : `at ${clock(m.cutoff_at_s)}, ${engine(m)}`);
    } else if (coming) {
      this.write("bigLabel", `${name} in`);
      this.write("big", clock(coming.in_s));
      this.write("event", m.landing ? `contact in ${clock(m.landing.contact_in_s)}` : engine(m));
    } else {
      this.write("bigLabel", m.event && !m.closed ? `${name} now` : "nothing ahead");
      this.write("big", "");
      this.write("event", "");
    }
    this.mark("calm", !burning);
    this.mark("soon", burning && m.to_cutoff_s < 10);
    const whole = burning && m.burn_since_s !== null ? m.cutoff_at_s - m.burn_since_s : 0;
    const done = whole > 0 ? Math.min(1, Math.max(0, 1 - m.to_cutoff_s / whole)) : 0;
    const scale = `scaleX(${done.toFixed(3)})`;
    if (this.last.bar !== scale) this.at.bar.style.transform = this.last.bar = scale;
  }

  facts(m) {
    const then = m.at_cutoff;
    const how = then && then.from === "predicted" ? "at cutoff" : then && then.from === "circle" ? "circular" : "aim";
    this.write("perigee", km(m.perigee_m));
    this.write("apogee", m.altitude_m !== undefined && m.apogee_m === null ? "escape" : km(m.apogee_m));
    this.write("perigeeThen", then ? `${how} ${withUnit(km(then.perigee_m), "km")}` : "");
    this.write("apogeeThen", then ? `${how} ${withUnit(km(then.apogee_m), "km")}` : "");
    this.write("gain", number(m.velocity_to_gain_m_s, m.velocity_to_gain_m_s < 100 ? 1 : 0));
    this.write("speed", m.speed_m_s === undefined ? "" : `speed ${number(m.speed_m_s)} m/s`);
    this.write("margin", number(m.margin_kg));
    this.write("mass", m.mass_kg === undefined ? "" : `mass ${number(m.mass_kg)} kg`);
    this.write("altitude", km(m.altitude_m));
    this.write("downrange", m.downrange_m === undefined ? "" : `downrange ${number(m.downrange_m / 1000)} km${m.downrange_from === "site" ? "" : " from first state"}`);
    this.write("pitch", number(m.pitch_deg, 1));
    const flown = m.flown_pitch_deg === null || m.flown_pitch_deg === undefined ? "" : `flown ${number(m.flown_pitch_deg, 1)}`;
    this.write("pitchFlown", flown || `heading ${number(m.heading_deg, 1)}`);
    this.mark("short", typeof m.margin_kg === "number" && m.margin_kg < 0);
  }

  landing(m, l) {
    const far = l.miss_m >= 1000;
    this.write("missUnit", far ? "km" : "m");
    this.write("miss", number(far ? l.miss_m / 1000 : l.miss_m, 1));
    this.write("reach", known(l.inside_reach_m) ? (l.inside_reach_m >= 0 ? `${number(l.inside_reach_m)} m within reach` : `${number(-l.inside_reach_m)} m beyond reach`) : `to ${l.site}`);
    this.write("touch", number(l.contact_speed_m_s, 2));
    this.write("touchAsked", `asked ${number(l.asked_speed_m_s, 2)} m/s`);
    this.write("spare", number(known(l.throttle_margin) ? 100 * l.throttle_margin : null));
    this.write("needed", known(l.throttle_needed) ? `needs ${number(100 * l.throttle_needed)} %` : "");
    this.write("left", number(known(l.left_kg) ? l.left_kg : m.margin_kg));
    this.write("landingMass", m.mass_kg === undefined ? "" : `mass ${number(m.mass_kg)} kg`);
    const high = l.height_m >= 10000;
    this.write("heightUnit", high ? "km" : "m");
    this.write("height", number(high ? l.height_m / 1000 : l.height_m, high || l.height_m < 100 ? 1 : 0));
    this.write("away", `${l.level_m >= 10000 ? `${number(l.level_m / 1000, 1)} km` : `${number(l.level_m, l.level_m < 100 ? 1 : 0)} m`} to the side`);
    this.write("lean", number(90 - m.pitch_deg, 1));
    this.write("leanFlown", known(m.flown_pitch_deg) ? `flown ${number(90 - m.flown_pitch_deg, 1)}` : "");
    this.mark("short", (known(l.left_kg) && l.left_kg < 0) || (known(l.throttle_margin) && l.throttle_margin < 0));
  }

  /** What the tower said, until when the site can still be changed, and what the others would cost. */
  tower(l) {
    const decides = l && known(l.decide_in_s) && l.decide_in_s > 0 ? `decide in ${clock(l.decide_in_s)}` : "";
    const parts = l ? [l.clearance_word, decides, ...l.diverts].filter(Boolean) : [];
    this.hide("tower", parts.length === 0);
    this.write("tower", parts.join(" \u00b7 "));
    this.mark("held", Boolean(l && l.clearance && l.clearance !== "ready"));
  }

  hide(name, on) {
    if (this.last[`hides-${name}`] === on) return;
    this.last[`hides-${name}`] = on;
    this.at[name].hidden = on;
  }

  list(name, texts) {
    const key = texts.join("\n");
    if (this.last[name] === key) return;
    this.last[name] = key;
    this.at[name].hidden = texts.length === 0;
    this.at[name].replaceChildren(...texts.map((text) => Object.assign(document.createElement("li"), { textContent: text })));
  }

  link(m, ageS) {
    const link = m.link;
    const parts = [
      m.closed ? "session closed" : `last state ${m.time_s === undefined ? "not yet" : age(ageS)}`,
      count(link.states, "state", "states"), count(link.gaps, "gap", "gaps"), count(link.faults, "fault", "faults"),
    ];
    if (link.repeats) parts.push(count(link.repeats, "repeat", "repeats"));
    if (link.last_fault) parts.push(`refused: ${link.last_fault}`);
    this.write("link", parts.join(" \u00b7 "));
  }

  write(name, text) {
    if (this.last[name] === text) return;
    this.last[name] = text;
    this.at[name].textContent = text;
    const unit = this.at[name].nextElementSibling;
    if (unit?.tagName === "SMALL") unit.hidden = text === NONE || text === "escape";
  }

  mark(name, on) {
    if (this.last[`is-${name}`] === on) return;
    this.last[`is-${name}`] = on;
    this.root.classList.toggle(name, on);
  }
}

/** No unit after a dash. */
function withUnit(text, unit) {
  return text === NONE ? text : `${text} ${unit}`;
}

function known(value) {
  return value !== null && value !== undefined;
}

function engine(m) {
  if (m.arrivals) return ""; // a tower
  const lit = m.landing && known(m.landing.engines) ? count(m.landing.engines, "engine", "engines") : "engine";
  return m.engine_on ? `${lit} ${number(100 * m.throttle)}\u202f%` : "engine off";
}

/** The verdict as it was told, unless the vehicle is silent for longer than its last reply allowed. */
function judged(m, ageS) {
  const allowed = SILENT_S + (m.next_contact_s ?? 0);
  if (!m.closed && m.time_s !== undefined && ageS > allowed && m.verdict !== "bad" && m.verdict !== "done") {
    return ["look", `silent for ${Math.round(ageS)} s`];
  }
  return [m.verdict, m.word];
}
