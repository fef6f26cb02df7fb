// Plays lines of {"do": "take" | "at" | "now", ...} to the safety net; prints what `now` says. Used by test_other_languages.
"use strict";
const readline = require("node:readline");
const { SafetyNet } = require(process.argv[2]);

const net = new SafetyNet(Number(process.argv[3]), Number(process.argv[4]));
readline.createInterface({ input: process.stdin }).on("line", (line) => {
  const step = JSON.parse(line);
  if (step.do === "take") net.take(step.command);
  else if (step.do === "at") net.at(step.time_s, step.state);
  else console.log(JSON.stringify(net.now(step.time_s, step.trouble)));
});
