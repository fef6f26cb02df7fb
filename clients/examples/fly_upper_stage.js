// Fly the upper stage Curlew from separation to the height of the depot Lagoon, from Node. (Invented vehicle.)
//
//   node clients/examples/fly_upper_stage.js [--guidance tcp://127.0.0.1:5771] [--vehicle tcp://127.0.0.1:5821]
//       [--name Curlew] [--plan curlew_to_lagoon]
//
// For simulation and teaching only; do not connect it to a real vehicle.
"use strict";

const net = require("node:net");
const path = require("node:path");
const readline = require("node:readline");

const { GuidanceClient, cutoffNow } = require(path.join(__dirname, "..", "guidance_client.js"));

const STEP_S = 0.1;
const STATE_FIELDS = [
  "time_s", "position_m", "velocity_m_s", "mass_kg", "propellant_kg", "stage", "engine_on", "throttle", "thrust_n",
  "pointing",
];
// What each event asks of the vehicle; the others only tell what comes next.
const VEHICLE_ACTIONS = { ignite: "ignite", cutoff: "cutoff", circularize: "ignite" };

/** The simulated vehicle behind a socket. THIS IS THE PART TO REPLACE with calls into your own simulator. */
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

async function main() {
  const name = option("--name", "Curlew");
  const plan = option("--plan", "curlew_to_lagoon");
  const vehicle = new SimulatedVehicle(option("--vehicle", "tcp://127.0.0.1:5821"));
  let seen = await vehicle.attach(name); // waits until Sandpiper lets go of it
  const client = new GuidanceClient(option("--guidance", "tcp://127.0.0.1:5771"));
  const opened = await client.open({ vehicle: name, role: "upper_stage", plan });
  for (const sentence of opened.phases) console.error(sentence);

  let command;
  let phase = "";
  for (;;) {
    command = await client.exchange(Object.fromEntries(STATE_FIELDS.map((name) => [name, seen[name]])));
    if (command.phase !== phase) console.log(JSON.stringify({ time_s: command.time_s, phase: command.phase }));
    phase = command.phase;
    if (phase === "orbit") break;

    // Do what it says; and, ahead of time, what to do on the vehicle's own clock.
    const controls = {
      pointing: command.pointing,
      engine_on: command.engine_on && !cutoffNow(command, seen.time_s),
      throttle: command.throttle,
      cutoff_at_s: command.cutoff_at_s,
    };
    const event = command.event;
    if (event && VEHICLE_ACTIONS[event.name]) controls[`${VEHICLE_ACTIONS[event.name]}_at_s`] = event.at_s;
    seen = await vehicle.ask({ do: "advance", seconds: secondsToFly(command), controls });
    if (event && seen.time_s >= event.at_s) client.done(event); // or the service goes on repeating it
  }
  await client.close();
  vehicle.close();
  console.log(JSON.stringify({ status: command.status, warnings: command.warnings, mass_kg: seen.mass_kg }));
  return command.status === "complete" ? 0 : 1;
}

main().then(
  (code) => process.exit(code),
  (problem) => {
    console.error(problem.message);
    process.exit(1);
  },
);
