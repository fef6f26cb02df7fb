// The vehicle that the example scripts for Node fly. THIS IS THE FILE TO REPLACE with calls into your own simulator.
"use strict";

const net = require("node:net");
const readline = require("node:readline");

const STEP_S = 0.1;
const STATE_FIELDS = [
  "time_s", "position_m", "velocity_m_s", "mass_kg", "propellant_kg", "stage", "engine_on", "throttle", "thrust_n",
  "pointing",
];
// What a landing goes by besides; sent where the vehicle tells it.
const RETURN_FIELDS = ["contact", "engines_lit", "attitude_rate_deg_s", "angle_of_attack_deg", "wind_m_s"];

/** The simulated vehicle behind a socket, one JSON object a line. */
class SimulatedVehicle {
  constructor(address) {
    const [, host, port] = /^tcp:\/\/(.*):(\d+)$/.exec(address);
    this._socket = net.createConnection({ host, port: Number(port), noDelay: true });
    this._socket.on("error", (problem) => {
      const start = "start `python -m guidance_svc.demo.vehicle`, or give --vehicle";
      console.error(`no simulated vehicle at ${address} (${problem.code}): ${start}`);
      process.exit(1);
    });
    this._lines = readline.createInterface({ input: this._socket })[Symbol.asyncIterator]();
  }

  async ask(request) {
    this._socket.write(`${JSON.stringify(request)}\n`);
    const answer = JSON.parse((await this._lines.next()).value);
    if (answer.error) throw new Error(answer.error);
    return answer;
  }

  async attach(name) {
    let answer = await this.ask({ do: "attach", vehicle: name });
    while (answer.carried_by) {
      await new Promise((resolve) => setTimeout(resolve, 50));
      answer = await this.ask({ do: "attach", vehicle: name });
    }
    return answer;
  }

  close() {
    this._socket.end();
  }
}

/** How far to fly before the next state: 10 Hz under power; else as far as the service allows, or to the event. */
function secondsToFly(command) {
  if (command.engine_on) return STEP_S;
  const untilEvent = command.event ? command.event.at_s - command.time_s : 0;
  return Math.max(STEP_S, untilEvent > 0 ? Math.min(untilEvent, command.next_contact_s) : command.next_contact_s);
}

function option(name, otherwise) {
  const at = process.argv.indexOf(name);
  return at < 0 ? otherwise : process.argv[at + 1];
}

/** Some fields of what the vehicle tells; those that it does not tell are left out. */
function only(names, seen) {
  return Object.fromEntries(names.filter((name) => name in seen).map((name) => [name, seen[name]]));
}

/** The exit code of a flight that is over, and its last word. */
function ended(command, seen) {
  console.log(JSON.stringify({ status: command.status, warnings: command.warnings, mass_kg: seen.mass_kg }));
  return command.status === "complete" ? 0 : 1;
}

function inASentence(problem) {
  console.error(problem.message);
  process.exit(1);
}

module.exports = { RETURN_FIELDS, STATE_FIELDS, SimulatedVehicle, ended, inASentence, only, option, secondsToFly };
