// The page: a stream of what is new, or any moment of the recording; strips, curves, time.
import { Curves } from "./curves.js";
import { Strip } from "./strips.js";
import { clock, number } from "./words.js";

const CURVES_EVERY_MS = 1000; // while live; a scrub is drawn at once
const PLAY_EVERY_MS = 200;
const AGAIN_MS = 2000; // until the stream is tried again
const MANY = 8; // vehicles; beyond it only the chosen one is shown in full
const STEPS = 1000; // of the scrubber
const KINDS = [["bad", "in trouble"], ["look", "to look at"], ["settling", "converging"], ["good", "going well"], ["done", "complete"], ["idle", "waiting"]];
const SCHEMES = [["", "as the system"], ["light", "light"], ["dark", "dark"]];

const at = (id) => document.getElementById(id);
const strips = new Map();
const state = { about: null, live: true, scrubS: 0, playing: null, chosen: null, asked: 0, spoken: 0, ending: false };
const curves = new Curves(at("altitude"), at("pitch"), (name) => getJson(`/curve?vehicle=${encodeURIComponent(name)}`));
const seen = new IntersectionObserver((entries) => {
  for (const entry of entries) {
    const strip = strips.get(entry.target.dataset.vehicle);
    if (!strip) continue;
    strip.visible = entry.isIntersecting;
    if (strip.visible) strip.draw(nowS());
  }
}, { rootMargin: "100px" });

async function getJson(url) {
  const reply = await fetch(url);
  if (!reply.ok) throw new Error(`${url}: ${reply.status}`);
  return reply.json();
}

function nowS() {
  return state.live ? state.about?.now_s ?? 0 : state.scrubS;
}

// --- what comes from the board -----------------------------------------------------------------------------------

function listen() {
  const stream = new EventSource("/stream");
  stream.onmessage = (event) => {
    const told = JSON.parse(event.data);
    take(told.about);
    if (state.live) show(told.vehicles, true);
    if (!told.about.live && told.about.ready) {
      stream.close();
      begin();
    }
  };
  stream.onerror = () => {
    at("feed-word").textContent = "the board does not answer";
    document.documentElement.dataset.feed = "lost";
    if (stream.readyState === EventSource.CLOSED) setTimeout(listen, AGAIN_MS);
  };
}

function take(about) {
  const first = state.about === null || state.about.began_ns !== about.began_ns;
  state.about = about;
  if (first) anew();
  document.documentElement.dataset.feed = about.live ? "live" : "past";
  at("feed-word").textContent = about.trouble ? "stopped" : about.live ? (about.ready ? "live" : "catching up") : about.ready ? "recording" : "reading";
  at("recording").textContent = about.recording;
  at("caution").textContent = about.caution;
  const refused = about.refused ? `refused before any vehicle opened: ${number(about.refused)}; the last: ${about.last_refusal}` : "";
  const notice = [about.trouble, about.remark, refused].filter(Boolean).join(" \u00b7 ");
  at("notice").textContent = notice;
  at("notice").hidden = notice === "";
  at("notice").classList.toggle("loud", Boolean(about.trouble || about.remark));
  stretch();
}

/** Another recording than before, or the first: the service was started again, most likely. */
function anew() {
  for (const strip of strips.values()) seen.unobserve(strip.root);
  strips.clear();
  at("strips").replaceChildren();
  at("empty").hidden = false;
  tally([]);
  state.chosen = null;
  curves.choose(null, []);
  curves.forget();
}

/** A past recording is read: show its end. */
function begin() {
  curves.forget();
  look(state.about.length_s);
}

function show(moments, fresh) {
  const now = nowS();
  const told = [];
  for (const moment of moments) {
    const strip = strips.get(moment.vehicle) ?? added(moment.vehicle);
    if (strip.take(moment, now)) told.push(strip);
    if (fresh) curves.grow(moment);
  }
  if (fresh) for (const strip of strips.values()) if (strip.moment && !moments.includes(strip.moment) && strip.take(strip.moment, now)) told.push(strip);
  if (told.length) tally(told);
}

function added(vehicle) {
  const strip = new Strip(at("strip"), vehicle, choose);
  strip.root.dataset.vehicle = vehicle;
  strips.set(vehicle, strip);
  at("strips").append(strip.root);
  at("empty").hidden = true;
  at("strips").classList.toggle("many", strips.size > MANY);
  seen.observe(strip.root);
  strip.button.addEventListener("keydown", move);
  choose(state.chosen ?? vehicle);
  return strip;
}

/** Vehicles that are not there at a moment of the past are hidden. */
function onlyThose(moments) {
  const there = new Set(moments.map((moment) => moment.vehicle));
  for (const [vehicle, strip] of strips) strip.root.hidden = !there.has(vehicle);
  at("empty").hidden = there.size > 0;
}

// --- the head ----------------------------------------------------------------------------------------------------

function tally(changed) {
  const counts = new Map(KINDS.map(([kind]) => [kind, 0]));
  for (const strip of strips.values()) if (!strip.root.hidden) counts.set(strip.kind, (counts.get(strip.kind) ?? 0) + 1);
  at("tally").replaceChildren(...KINDS.filter(([kind]) => counts.get(kind) > 0).map(([kind, word]) => {
    const item = document.createElement("li");
    const button = document.createElement("button");
    const mark = Object.assign(document.createElement("span"), { className: "mark" });
    mark.setAttribute("aria-hidden", "true");
    button.type = "button";
    button.append(mark, `${counts.get(kind)} ${word}`);
    button.addEventListener("click", () => next(kind));
    item.dataset.kind = kind;
    item.append(button);
    return item;
  }));
  const loud = changed.filter((strip) => strip.kind === "bad" || strip.kind === "look");
  if (loud.length && performance.now() - state.spoken > 3000) {
    state.spoken = performance.now();
    at("spoken").textContent = loud.slice(0, 3).map((strip) => `${strip.vehicle}: ${strip.word}`).join("; ");
  }
}

/** Go to the next vehicle of a kind. */
function next(kind) {
  const those = [...strips.values()].filter((strip) => strip.kind === kind && !strip.root.hidden);
  if (!those.length) return;
  const here = those.findIndex((strip) => strip.vehicle === state.chosen);
  go(those[(here + 1) % those.length]);
}

function go(strip) {
  choose(strip.vehicle);
  strip.button.focus();
  strip.root.scrollIntoView({ block: "nearest" });
}

/** Arrow keys walk from vehicle to vehicle. */
function move(event) {
  const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
  const all = [...strips.values()].filter((strip) => !strip.root.hidden);
  const here = all.findIndex((strip) => strip.button === event.target);
  const to = event.key === "Home" ? 0 : event.key === "End" ? all.length - 1 : step ? here + step : -1;
  if (to < 0 || to >= all.length) return;
  event.preventDefault();
  go(all[to]);
}

function choose(vehicle) {
  for (const strip of strips.values()) {
    const on = strip.vehicle === vehicle;
    strip.root.classList.toggle("chosen", on);
    strip.button.setAttribute("aria-pressed", String(on));
  }
  state.chosen = vehicle;
  at("curves-title").textContent = vehicle;
  const names = [...strips.keys()];
  curves.choose(vehicle, names);
  at("others").textContent = names.length > 1 && names.length <= 8 ? "the others grey" : "";
  curves.draw(state.live ? Infinity : state.scrubS);
}

// --- time --------------------------------------------------------------------------------------------------------

function stretch() {
  const scrub = at("scrub");
  const length = Math.max(state.about.length_s, 0.1);
  scrub.max = String(length);
  scrub.step = String(Math.max(Math.round(length / STEPS * 1000) / 1000, 0.01));
  if (state.live) {
    scrub.value = scrub.max;
    state.scrubS = length;
  }
  clocks();
}

function clocks() {
  const length = state.about?.length_s ?? 0;
  const text = state.live && state.about?.live ? `now, ${clock(length)}` : `${clock(state.scrubS)} of ${clock(length)}`;
  at("moment").textContent = text;
  at("scrub").setAttribute("aria-valuetext", text);
  at("live").hidden = !(state.about?.live && !state.live);
  document.documentElement.dataset.time = state.live ? "now" : "past";
}

/** Show everything as it was at a time of the recording. */
async function look(wallS) {
  state.live = false;
  state.scrubS = Math.min(Math.max(wallS, 0), state.about.length_s);
  at("scrub").value = String(state.scrubS);
  clocks();
  const asked = ++state.asked;
  const told = await getJson(`/at?wall_s=${state.scrubS.toFixed(3)}`).catch(() => null);
  if (told === null || asked !== state.asked) return; // a later one is under way
  show(told.vehicles, false);
  onlyThose(told.vehicles);
  tally([]);
  curves.draw(state.scrubS);
}

function play() {
  if (state.playing !== null) {
    stop();
    return;
  }
  if (state.scrubS >= state.about.length_s - 0.05) state.scrubS = 0;
  let before = performance.now();
  at("play").textContent = "Pause";
  state.playing = setInterval(() => {
    const now = performance.now();
    const to = state.scrubS + ((now - before) / 1000) * Number(at("pace").value);
    before = now;
    look(to);
    if (to >= state.about.length_s) stop();
  }, PLAY_EVERY_MS);
}

function stop() {
  clearInterval(state.playing);
  state.playing = null;
  at("play").textContent = "Play";
}

async function backToNow() {
  stop();
  state.live = true;
  ++state.asked;
  const told = await getJson("/at").catch(() => null);
  if (told !== null) {
    take(told.about);
    onlyThose(told.vehicles);
    show(told.vehicles, false);
    tally([]);
    curves.forget();
    curves.draw(Infinity);
  }
  at("scrub").focus();
}

// --- the page's own controls -------------------------------------------------------------------------------------

function nameScheme() {
  const now = document.documentElement.dataset.scheme ?? "";
  at("scheme").textContent = `Scheme: ${SCHEMES.find(([value]) => value === now)[1]}`;
}

at("scheme").addEventListener("click", () => {
  const now = SCHEMES.findIndex(([value]) => value === (document.documentElement.dataset.scheme ?? ""));
  const [value] = SCHEMES[(now + 1) % SCHEMES.length];
  if (value) document.documentElement.dataset.scheme = value;
  else delete document.documentElement.dataset.scheme;
  try {
    localStorage.setItem("scheme", value);
  } catch {
    // storage may be forbidden; the choice lasts as long as the page
  }
  nameScheme();
  curves.repaint();
});
at("scrub").addEventListener("input", (event) => {
  stop();
  look(Number(event.target.value));
});
at("play").addEventListener("click", play);
at("live").addEventListener("click", backToNow);
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => curves.repaint());
setInterval(() => state.live && state.about?.live && curves.draw(Infinity), CURVES_EVERY_MS);
nameScheme();
listen();
