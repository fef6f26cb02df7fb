// Speak for the tower at Saltmarsh Point, from Node: hear who comes, answer, close the arms. (Invented tower.)
//
//   node clients/examples/tower.js [--guidance tcp://127.0.0.1:5771] [--vehicle tcp://127.0.0.1:5821]
//       [--follow Sandpiper] [--name Saltmarsh] [--plan saltmarsh_point] [--clock saltmarsh] [--turnaround 900]
//
// It ends when the vehicles that came have ended their flights.
// For simulation and teaching only; do not connect it to a real tower.
"use strict";

const path = require("node:path");

const { GuidanceClient } = require(path.join(__dirname, "..", "guidance_client.js"));
const { SimulatedVehicle, inASentence, option } = require(path.join(__dirname, "simulated_vehicle.js"));

const COMING = ["falling", "burning"];
const STATE_EVERY_S = 0.5; // of the shared clock
const LOOK_EVERY_MS = 20; // of real time, for the clock
const STANDS_MS = 1000; // of real time: a shared clock that stands, because the vehicle has landed, keeps the tower from nothing

/** An answer to each vehicle, soonest first: ready, unless the tower holds another one then. */
function decide(arrivals, turnaroundS) {
  const answers = {};
  let freeS = -Infinity;
  for (const arrival of arrivals) {
    const holds = arrival.at_s >= freeS;
    answers[arrival.vehicle] = holds ? "ready" : "not_ready";
    if (holds) freeS = arrival.at_s + turnaroundS;
  }
  return answers;
}

async function main() {
  // The shared clock is that of a simulated vehicle. REPLACE it by your simulator's, which knows arms and wind as well.
  const simulation = new SimulatedVehicle(option("--vehicle", "tcp://127.0.0.1:5821"));
  await simulation.attach(option("--follow", "Sandpiper"));
  const client = new GuidanceClient(option("--guidance", "tcp://127.0.0.1:5771"));
  const opened = await client.open({
    vehicle: option("--name", "Saltmarsh"), role: "tower", plan: option("--plan", "saltmarsh_point"),
    clock: option("--clock", "saltmarsh"),
  });
  for (const sentence of [...opened.phases, ...opened.warnings]) console.error(sentence);

  const turnaroundS = Number(option("--turnaround", "900"));
  let answers = {};
  let saidS = -Infinity;
  let saidAt = Date.now();
  let arrivals;
  for (;;) {
    const { time_s: timeS } = await simulation.ask({ do: "read" });
    const stood = Date.now() - saidAt > STANDS_MS;
    if (timeS >= saidS && timeS - saidS < STATE_EVERY_S && !stood) {
      await new Promise((resolve) => setTimeout(resolve, LOOK_EVERY_MS));
      continue;
    }
    [saidS, saidAt] = [timeS, Date.now()];
    const command = await client.exchange({ time_s: timeS, ready: true, answers });
    arrivals = command.arrivals;
    answers = decide(arrivals, turnaroundS);
    const event = command.event;
    if (event && timeS >= event.at_s) client.done(event); // the arms are closed by then: do it in your simulator
    if (arrivals.length && !arrivals.some((arrival) => COMING.includes(arrival.status))) break;
  }
  await client.close();
  simulation.close();
  for (const { vehicle, status, at_s: atS, miss_m: missM } of arrivals) {
    console.log(`${vehicle} ${status} at ${atS.toFixed(1)} s, miss ${missM.toFixed(1)} m`);
  }
  return arrivals.some((arrival) => arrival.status === "caught") ? 0 : 1;
}

main().then((code) => process.exit(code), inASentence);
