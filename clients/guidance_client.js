// Talk to the guidance service from Node, 18 or later, without packages. Copy this one file next to your script.
//
// The address is that of the service's JSON-lines port. There are no keys: the service's own machine only.
// For simulation and teaching only; do not connect it to a real vehicle.
//
//   const client = new GuidanceClient("tcp://127.0.0.1:5771");
//   const opened = await client.open({ vehicle: "Curlew", role: "upper_stage", plan: "curlew_to_lagoon" });
//   const command = await client.exchange(state);    // waits for the answer
//   const now = client.steer(state);                 // never waits: the newest law, carried on to this time
//
// Fields of state and command have the names of PROTOCOL.md. Cut the engine at command.cutoff_at_s on the vehicle's own
// clock, not when a reply happens to arrive.
"use strict";

const fs = require("node:fs");
const net = require("node:net");

const PROTOCOL = 1;
const ROUNDING_S = 1e-6; // two clock readings nearer than this are one
const TURN_ON_S = 10; // of vehicle time that turning rates are applied after their command
const TRAIL_S = 2; // of vehicle time over which the turning of `pointing` is taken
const MOST_TRAIL = 200; // commands kept for it
const SILENCE_S = 1; // of real time without any answer after which `steer` opens a new connection
const FIRST_PAUSE_S = 0.1; // of real time between attempts to connect; it doubles
const LONGEST_PAUSE_S = 5;
const NUMBERS = [ // of a command; all of them are needed
  "seq", "time_s", "pitch_deg", "heading_deg", "pitch_rate_deg_s", "heading_rate_deg_s", "throttle", "next_contact_s",
];
const TIMES = ["cutoff_at_s", "latest_off_at_s"]; // numbers or null, not both null while the engine is on
const REFUSED_FOR_NOW = ["session_limit", "too_many_connections", "too_fast", "internal_error"];
const REFUSED_FOR_GOOD = ["taken_over", "wrong_token", "vehicle_not_allowed"];
const HINT = "is the service up? JSON lines are on port 5771";

/** The service refused a message: code (stable, branch on it), field (its path), expected, got. */
class Fault extends Error {
  constructor(fault) {
    super(fault.message || `${fault.field}: ${fault.code}; expected ${fault.expected}; got ${fault.got}`);
    Object.assign(this, { code: fault.code, field: fault.field, expected: fault.expected, got: fault.got });
  }
}

/** No answer: the service or the way to it is gone. */
class NoAnswer extends Error {}

/** Seconds of a clock that is never set back. */
function steadyS() {
  return performance.now() / 1000;
}

/** The first field of a command that is missing or not what PROTOCOL.md says, in words; "" for none. */
function flaw(command) {
  const down = command.throttle_down;
  const wrong = (name) => `${name} is ${name in command ? JSON.stringify(command[name]) : "missing"}`;
  for (const name of NUMBERS) if (!Number.isFinite(command[name])) return wrong(name);
  for (const name of TIMES) if (command[name] != null && !Number.isFinite(command[name])) return wrong(name);
  if (!("cutoff_at_s" in command)) return wrong("cutoff_at_s");
  if (typeof command.engine_on !== "boolean") return wrong("engine_on");
  if (command.engine_on && offAtS(command) === Infinity) return wrong("latest_off_at_s");
  if (typeof command.phase !== "string") return wrong("phase");
  const { pointing } = command;
  if (!Array.isArray(pointing) || pointing.length !== 3 || !pointing.every(Number.isFinite)) return wrong("pointing");
  if (down != null && !(Number.isFinite(down.at_s) && Number.isFinite(down.throttle))) return wrong("throttle_down");
  if (command.engines != null && !Number.isFinite(command.engines)) return wrong("engines");
  if (typeof (command.cut_on_contact ?? false) !== "boolean") return wrong("cut_on_contact");
  return "";
}

/** Vehicle time from which the engine is off: the cutoff, or `latest_off_at_s`; Infinity while it is off anyway. */
function offAtS(command) {
  return Math.min(...TIMES.map((name) => command[name]).filter(Number.isFinite), Infinity);
}

/**
 * Whether the engine must be off at this vehicle time; with the tick's length, at the tick nearest to the cutoff.
 * Yes if the clock reads no number.
 */
function cutoffNow(command, timeS, tickS = 0) {
  return !Number.isFinite(timeS) || timeS + 0.5 * tickS + ROUNDING_S >= offAtS(command);
}

/** Whether it is an order of a landing: its engine is cut by contact, and cutting it earlier is not safe. */
function lands(command) {
  return command.cut_on_contact === true;
}

/** Whether the engine is ordered to burn; in a landing also by an ignition told ahead, from its time on. */
function litAt(command, timeS) {
  const { event } = command;
  const ahead = lands(command) && event && event.name === "ignite" && Number.isFinite(event.at_s);
  return command.engine_on || Boolean(ahead && offAtS(command) < Infinity && timeS + ROUNDING_S >= event.at_s);
}

/**
 * What the vehicle does between two replies, and when none come any more: the last law, and never more than it.
 * PROTOCOL.md, "A safety net of your own", has its rules. It goes by the vehicle's clock; while that reads no number,
 * by the seconds of `clock` since it last did.
 */
class SafetyNet {
  constructor(tickS = 0, staleAfterS = 1, clock = steadyS) {
    Object.assign(this, { tickS, staleAfterS, command: null, _clock: clock, _readS: 0, _flaw: "" });
    this._trail = [];
    this._timeS = this._unknownSinceS = -Infinity;
    this._cutS = this._contactS = null; // when it was cut; since when legs or arms bear, as the states say
    this._engine = [false, 0];
  }

  /** Note the clock and the engine; true when the clock went back: what is of the later time is dropped. */
  at(timeS, state = null) {
    if (!Number.isFinite(timeS)) return false;
    this._readS = this._clock();
    const back = timeS < this._timeS;
    const first = this._timeS === -Infinity;
    if (back) {
      this._trail = this._trail.filter((command) => command.time_s <= timeS);
      this.command = this._trail.length ? this._trail[this._trail.length - 1] : null;
      if (this._cutS !== null && this._cutS > timeS) this._cutS = null;
      if (this._contactS !== null && this._contactS > timeS) this._contactS = null;
    }
    if (back || first) this._unknownSinceS = timeS;
    if (state && (back || !this.command)) {
      this._engine = [state.engine_on === true, Number.isFinite(state.throttle) ? state.throttle : 0];
    }
    if (state && typeof state.contact === "boolean") this._contactS = state.contact ? (this._contactS ?? timeS) : null;
    this._timeS = timeS;
    return back;
  }

  /** Take a command, however late; one that is flawed or not newer than the last is passed over. */
  take(command) {
    const found = flaw(command);
    if (found) {
      this._flaw = `an answer was passed over, its ${found}`;
      return;
    }
    if (this.command && command.seq <= this.command.seq) return;
    this._flaw = "";
    const near = this._trail.filter((c) => c.time_s < command.time_s && command.time_s - c.time_s <= TRAIL_S);
    this._trail = [...near.slice(-MOST_TRAIL).filter((c) => c.phase === command.phase), command];
    this.command = command;
  }

  /** What to do at `timeS`; `trouble` says what is wrong with the link, "" when nothing is. */
  now(timeS, trouble = "") {
    this.at(timeS);
    if (!Number.isFinite(timeS)) {
      trouble = [`the vehicle's clock reads ${timeS}`, trouble].filter(Boolean).join("; ");
      timeS = this._timeS + Math.max(0, this._clock() - this._readS);
    }
    trouble = trouble || this._flaw;
    const command = this.command;
    const [wasOn, wasThrottle] = this._engine;
    if (!command) {
      const on = wasOn && timeS - this._unknownSinceS <= this.staleAfterS;
      this._engine = [on, wasThrottle];
      const says = `${trouble || "no answer yet"}; engine ${on ? "as it is for a moment" : "off"}`;
      const unknown = { pitch_deg: null, heading_deg: null, pointing: null, engines: null, command: null };
      if (!Number.isFinite(timeS)) timeS = 0;
      return { time_s: timeS, ...unknown, throttle: wasThrottle, engine_on: on, stale: true, says };
    }
    const ageS = timeS - command.time_s;
    const stale = Boolean(trouble) || ageS > Math.max(command.next_contact_s, this.staleAfterS);
    if (command.engine_on && !stale && this._cutS !== null && command.time_s > this._cutS) this._cutS = null;
    const borne = lands(command) && this._contactS !== null;
    if (this._cutS === null && (borne || cutoffNow(command, timeS, this.tickS))) this._cutS = timeS;
    let on = litAt(command, timeS) && this._cutS === null;
    let throttle = command.throttle;
    const down = command.throttle_down; // told ahead, because the cutoff reckons with it
    if (down && timeS + ROUNDING_S >= down.at_s) throttle = Math.min(throttle, down.throttle);
    if (stale && !lands(command)) [on, throttle] = [on && wasOn, Math.min(throttle, wasThrottle)];
    this._engine = [on, throttle];
    const says = stale ? this._says(command, on, trouble) : "";
    const turned = this._turned(command, stale && lands(command) ? 0 : Math.max(0, Math.min(ageS, TURN_ON_S)));
    return { time_s: timeS, ...turned, throttle, engine_on: on, engines: command.engines ?? null, stale, says, command };
  }

  _turned(command, seconds) {
    const pitch = command.pitch_deg + command.pitch_rate_deg_s * seconds;
    const heading = command.heading_deg + command.heading_rate_deg_s * seconds;
    const first = this._trail[0];
    let pointing = command.pointing;
    if (command !== first && seconds > 0) {
      const ahead = seconds / (command.time_s - first.time_s);
      const moved = pointing.map((x, i) => x + ahead * (x - first.pointing[i]));
      const length = Math.hypot(...moved);
      if (length > 0) pointing = moved.map((x) => x / length);
    }
    return { pitch_deg: Math.max(-90, Math.min(90, pitch)), heading_deg: ((heading % 360) + 360) % 360, pointing };
  }

  _says(command, on, trouble) {
    const law = lands(command) ? "landing by the last order until contact or" : "flying on the last law until";
    const then = on ? `${law} cutoff at ${offAtS(command)} s` : "engine off";
    return `${trouble || "no answer"} since vehicle time ${command.time_s} s; ${then}`;
  }
}

/**
 * One vehicle's line to the service.
 *
 * Options: timeoutS (5) real time to wait for a reply before asking again; tries (3); tokenFile keeps the token, so
 * that a script started again goes on; tickS, staleAfterS of the safety net; warn(sentence), else standard error.
 */
class GuidanceClient {
  constructor(address, options = {}) {
    const [, host, port] = /^(?:tcp:\/\/)?(localhost|127\.[\d.]+):(\d+)$/.exec(address) || [];
    if (!host) throw new Error(`address: expected "tcp://127.0.0.1:port", this machine only; got ${address}`);
    const given = { timeoutS: 5, tries: 3, tokenFile: null, tickS: 0, staleAfterS: 1, ...options };
    Object.assign(this, { address, _host: host, _port: Number(port), ...given });
    this.warn = options.warn || ((sentence) => console.error(`warning: ${sentence}`));
    this.net = new SafetyNet(this.tickS, this.staleAfterS);
    Object.assign(this, { token: null, resumed: null, stopped: null, seq: 0, doneEvent: null });
    Object.assign(this, { _openMessage: null, _socket: null, _greeted: false, _unread: "", _waiting: null });
    Object.assign(this, { _seqFloor: 0, _askedMs: null, _pauseS: FIRST_PAUSE_S, _nextTryMs: 0, _complaint: "" });
  }

  /**
   * Open the vehicle's session, or take one up again with `resume`. Resolves to `opened`: read it. `clock` names a clock
   * that other scripts share: a vehicle and its tower hear each other on it.
   */
  async open({ vehicle, role, plan, frame = {}, resume = null, detail = false, clock = null }) {
    this._openMessage = { type: "open", protocol: PROTOCOL, vehicle, role, plan, frame, detail };
    if (clock !== null) this._openMessage.clock = clock;
    this.token = resume || this._stored();
    this.stopped = null;
    this.hangUp();
    return this._ask(null, "opened");
  }

  /** Send a state, resolve to the command that answers it. `seq` and `seen_event` are filled in for you. */
  async exchange(state) {
    this._stopIfTakenOver();
    this._noteClock(state.time_s, state);
    this.seq = Math.max(this.seq + 1, state.seq || 0);
    const command = await this._ask({ ...state, type: "state", seq: this.seq }, "command");
    this.net.take(command);
    this.net.now(command.time_s);
    return command;
  }

  /**
   * Send a state and return at once what to do now: pitch_deg, heading_deg, pointing, throttle, engine_on, engines (null: all),
   * stale, says, command. Answers are taken when they come: let the event loop run between two calls. A lost connection is opened
   * again by itself. Throws Fault only for `taken_over`: another script flies this vehicle, so let go of it.
   */
  steer(state) {
    if (!("time_s" in state) || !this._openMessage) {
      throw new Error(`steer: expected an open session and state.time_s in seconds; got ${state.time_s}`);
    }
    this._stopIfTakenOver();
    this._noteClock(state.time_s, state);
    if (this._askedMs !== null && performance.now() - this._askedMs > SILENCE_S * 1000) this._lost();
    if (this._greeted && Number.isFinite(state.time_s)) {
      this.seq = Math.max(this.seq + 1, state.seq || 0);
      this._write(this._acknowledging({ ...state, type: "state", seq: this.seq }));
      if (this._askedMs === null) this._askedMs = performance.now();
    } else if (!this._greeted && !this._socket && !this.stopped && performance.now() >= this._nextTryMs) {
      this._askedMs = performance.now();
      this._connect(this._connection(), () => this._write(this._opening()));
    }
    return this.now(state.time_s);
  }

  /** What to do at `timeS`, as from `steer`, without a state: for the ticks in between. */
  now(timeS) {
    this._noteClock(timeS);
    this._stopIfTakenOver();
    const trouble = this._greeted ? "" : `no answer from ${this.address}`;
    const told = this.net.now(timeS, this.stopped ? `${this.stopped.message} (not asked again)` : trouble);
    return { ...told, says: [this._complaint, told.says].filter(Boolean).join("; ") };
  }

  /** Say that an event was carried out; the next states carry its id, and the service stops repeating it. */
  done(event) {
    this.doneEvent = event.id;
  }

  /** End the session and the connection; the token is of no more use, and its file is removed. */
  async close() {
    await this._ask({ type: "close" }, "closed");
    this.hangUp();
    this._openMessage = this.token = null;
    if (this.tokenFile) fs.rmSync(this.tokenFile, { force: true });
  }

  /** Close the connection and leave the session open in the service; the next exchange takes it up again. */
  hangUp() {
    const socket = this._socket;
    Object.assign(this, { _socket: null, _greeted: false, _unread: "", _askedMs: null });
    if (socket) socket.destroy();
  }

  _noteClock(timeS, state = null) {
    if (this.net.at(timeS, state)) {
      this.doneEvent = null; // a save was reloaded: what was done and answered after it is undone
      this._seqFloor = this.seq + 1;
    }
  }

  _stopIfTakenOver() {
    if (this.stopped && this.stopped.code === "taken_over") throw this.stopped;
  }

  _acknowledging(message) {
    return this.doneEvent && !message.seen_event ? { ...message, seen_event: this.doneEvent } : message;
  }

  _opening() {
    return this.token ? { ...this._openMessage, resume: this.token } : this._openMessage;
  }

  async _ask(message, wanted) {
    for (let left = this.tries - 1; left >= 0; left -= 1) {
      try {
        const untilMs = performance.now() + this.timeoutS * 1000;
        if (!this._greeted) {
          await this._dial(untilMs);
          const opened = await this._once(this._opening(), "opened", untilMs);
          if (wanted === "opened") return opened;
        }
        const sent = message.type === "state" ? this._acknowledging(message) : message;
        return await this._once(sent, wanted, untilMs);
      } catch (problem) {
        if (!(problem instanceof NoAnswer || problem.code === "no_session")) {
          if (problem.code === "taken_over") this.stopped = problem;
          throw problem;
        }
        this.hangUp();
      }
    }
    throw new NoAnswer(`no answer from ${this.address} in ${this.tries} x ${this.timeoutS} s: ${HINT}`);
  }

  /** Connect; a refused connection is tried again in time, for perhaps the service is being started. */
  async _dial(untilMs) {
    this.hangUp();
    for (let pauseMs = 50; ; pauseMs *= 2) {
      try {
        return await new Promise((resolve, reject) => {
          const socket = this._connection();
          socket.setTimeout(Math.max(1, untilMs - performance.now()), () => socket.destroy(new NoAnswer("no connection")));
          socket.once("error", reject);
          socket.once("connect", () => socket.setTimeout(0) && resolve(this._connect(socket)));
        });
      } catch (problem) {
        if (performance.now() + pauseMs >= untilMs) throw new NoAnswer(problem.message);
        await new Promise((resolve) => setTimeout(resolve, pauseMs));
      }
    }
  }

  _connection() {
    return net.createConnection({ host: this._host, port: this._port, noDelay: true });
  }

  /** Take a connection into use; `begin` is called once it stands, now if it does. */
  _connect(socket, begin = null) {
    this._socket = socket;
    socket.setEncoding("utf8");
    socket.on("error", () => {}); // `close` follows
    socket.on("close", () => this._socket === socket && this._lost());
    socket.on("data", (text) => this._socket === socket && this._heard(text));
    if (begin) socket.once("connect", begin);
  }

  _write(message) {
    this._socket.write(`${JSON.stringify(message)}\n`);
  }

  _lost() {
    this.hangUp();
    this._nextTryMs = performance.now() + this._pauseS * 1000;
    this._pauseS = Math.min(2 * this._pauseS, LONGEST_PAUSE_S);
    if (this._waiting) this._waiting.reject(new NoAnswer(`${this.address} hung up`));
  }

  _once(message, wanted, untilMs) {
    return new Promise((resolve, reject) => {
      const timer = setTimeout(() => settle(reject)(new NoAnswer("too late")), Math.max(1, untilMs - performance.now()));
      const settle = (how) => (value) => {
        clearTimeout(timer);
        this._waiting = null;
        how(value);
      };
      this._waiting = { wanted, seq: message.seq, resolve: settle(resolve), reject: settle(reject) };
      this._write(message);
    });
  }

  _heard(text) {
    const lines = (this._unread + text).split("\n");
    this._unread = lines.pop();
    for (const line of lines) {
      let reply;
      try {
        reply = JSON.parse(line);
        if (typeof reply !== "object" || reply === null) throw new Error("no object");
        if (reply.type === "opened" && typeof reply.token !== "string") throw new Error("no token");
      } catch {
        return this._lost(); // whoever is there speaks another language
      }
      this._askedMs = null;
      if (reply.type === "opened") this._opened(reply);
      this._sort(reply);
    }
  }

  _sort(reply) {
    const waiting = this._waiting;
    if (waiting && (reply.seq == null || reply.seq === waiting.seq)) {
      const found = reply.type === "command" && flaw(reply);
      if (reply.type === "fault") waiting.reject(new Fault(reply));
      else if (found) {
        this.net.take(reply); // which passes it over, and says so from then on
        waiting.reject(new NoAnswer(`an answer whose ${found}`));
      } else if (reply.type === waiting.wanted) waiting.resolve(reply);
    } else if (reply.type === "command" && (flaw(reply) || reply.seq >= this._seqFloor)) {
      this.net.take(reply);
      this._pauseS = FIRST_PAUSE_S;
      this._complaint = "";
    } else if (reply.type === "fault" && !waiting) {
      this._refused(new Fault(reply));
    }
  }

  _refused(fault) {
    if (fault.code === "no_session" || (!this._greeted && REFUSED_FOR_NOW.includes(fault.code))) {
      this._lost(); // try again later
    } else if (this._greeted && !REFUSED_FOR_GOOD.includes(fault.code)) {
      this._complaint = fault.message;
    } else {
      this.stopped = fault;
      this.hangUp();
      this.warn(`${fault.message}: not asked again`);
    }
  }

  _opened(opened) {
    const shown = this.token;
    Object.assign(this, { token: opened.token, resumed: opened.resumed, _greeted: true });
    if (this.tokenFile && this.token !== this._stored()) {
      fs.rmSync(this.tokenFile, { force: true });
      fs.writeFileSync(this.tokenFile, this.token, { mode: 0o600 });
    }
    for (const sentence of opened.warnings || []) this.warn(sentence);
    if (!opened.resumed) {
      this.doneEvent = null; // the new session never announced that event
      if (shown) this.warn("the service has no memory of this flight: its session began anew");
    }
  }

  _stored() {
    if (!this.tokenFile || !fs.existsSync(this.tokenFile)) return null;
    return fs.readFileSync(this.tokenFile, "utf8").trim() || null;
  }
}

module.exports = { Fault, GuidanceClient, NoAnswer, SafetyNet, cutoffNow };
