// Land Heron on the Moon, or with its own plan any vehicle that comes down on legs or into arms, from Node. (Invented.)
//
//   node clients/examples/fly_lander.js [--guidance tcp://127.0.0.1:5771] [--vehicle tcp://127.0.0.1:5823]
//       [--name Heron] [--plan heron_approach] [--role launch_vehicle]
//
// The simulated vehicle begins where the plan's [start] says. For simulation and teaching only; do not connect it to a
// real vehicle.
"use strict";

const path = require("node:path");

const { GuidanceClient, cutoffNow } = require(path.join(__dirname, "..", "guidance_client.js"));
const vehicles = require("./simulated_vehicle.js");

const { option } = vehicles;

/** What a command asks of the vehicle: now, and ahead of time on the vehicle's own clock. */
function controlsFor(command, timeS) {
  const controls = {
    pointing: command.pointing,
    engine_on: command.engine_on && !cutoffNow(command, timeS),
    throttle: command.throttle,
    engines: command.engines ?? null, // null: all of them
    cut_on_contact: command.cut_on_contact ?? false,
    cutoff_at_s: command.cutoff_at_s,
  };
  // The simulated vehicle's legs are out; `contact` only tells when.
  if (command.event && command.event.name === "ignite") controls.ignite_at_s = command.event.at_s;
  return controls;
}

async function main() {
  const [name, plan] = [option("--name", "Heron"), option("--plan", "heron_approach")];
  const vehicle = new vehicles.SimulatedVehicle(option("--vehicle", "tcp://127.0.0.1:5823"));
  let seen = await vehicle.attach(name);
  const client = new GuidanceClient(option("--guidance", "tcp://127.0.0.1:5771"));
  const opened = await client.open({ vehicle: name, role: option("--role", "launch_vehicle"), plan });
  for (const sentence of opened.phases) console.error(sentence);

  const fields = [...vehicles.STATE_FIELDS, ...vehicles.RETURN_FIELDS];
  let command;
  let phase = "";
  for (;;) {
    command = await client.exchange(vehicles.only(fields, seen));
    if (command.phase !== phase) console.log(JSON.stringify({ time_s: command.time_s, phase: command.phase }));
    phase = command.phase;
    if (command.status === "complete") break; // it stands, or hangs in the arms

    const event = command.event;
    const request = { do: "advance", seconds: vehicles.secondsToFly(command), controls: controlsFor(command, seen.time_s) };
    seen = await vehicle.ask(request);
    if (event && seen.time_s >= event.at_s) client.done(event); // or the service goes on repeating it
  }
  await client.close();
  vehicle.close();
  return vehicles.ended(command, seen);
}

main().then(process.exit, vehicles.inASentence);
