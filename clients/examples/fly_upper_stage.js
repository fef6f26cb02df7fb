// Fly the upper stage Curlew from separation to the height of the depot Lagoon, from Node. (Invented vehicle.)
//
//   node clients/examples/fly_upper_stage.js [--guidance tcp://127.0.0.1:5771] [--vehicle tcp://127.0.0.1:5821]
//       [--name Curlew] [--plan curlew_to_lagoon]
//
// For simulation and teaching only; do not connect it to a real vehicle.
"use strict";

const path = require("node:path");

const { GuidanceClient, cutoffNow } = require(path.join(__dirname, "..", "guidance_client.js"));
const { STATE_FIELDS, SimulatedVehicle, ended, inASentence, only, option, secondsToFly } = require("./simulated_vehicle.js");

// What each event asks of the vehicle; the others only tell what comes next.
const VEHICLE_ACTIONS = { ignite: "ignite", cutoff: "cutoff", circularize: "ignite" };

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
    command = await client.exchange(only(STATE_FIELDS, seen));
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
  return ended(command, seen);
}

main().then(process.exit, inASentence);
