// Plays lines of {"do": "take" | "at" | "now", ...} to the safety net; prints what `now` says. Used by test_other_languages.
"use strict";
const readline = require("node:readline");
const { SafetyNet } = require(process.argv[2]);

let realS = 0;
const net = new SafetyNet(Number(process.argv[3]), Number(process.argv[4]), () => realS);
readline.createInterface({ input: process.stdin }).on("line", (line) => {
  const step = JSON.parse(line);
  if ("real_s" in step) realS = step.real_s;
  if (step.do === "take") net.take(step.command);
  else if (step.do === "at") net.at(step.time_s, step.state);
  else console.log(JSON.stringify(net.now(step.time_s, step.trouble)));
});
