// Judges element strings in brackets, one a line, by an independent encoder: prints "yes" or "no" and why for each.
import { readFileSync } from "node:fs";
import { createRequire } from "node:module";

const require = createRequire(process.argv[2] + "/");
const encoder = require("bwip-js");
for (const line of readFileSync(0, "utf8").split("\n").filter((line) => line)) {
  try {
    encoder.raw({ bcid: "gs1datamatrix", text: line });
    console.log("yes");
  } catch (fault) {
    console.log("no " + String(fault.message ?? fault).replace(/\s+/g, " "));
  }
}
