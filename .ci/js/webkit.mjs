// The comparison page in WebKitGTK, over WebDriver: opens from a file, switches, plays or says why
// not, and a blind test goes on. Needs a display: xvfb-run -a node webkit.mjs PAGE.html [SHOT.png]
import { strict as assert } from "node:assert";
import { spawn } from "node:child_process";
import { existsSync, readdirSync } from "node:fs";
import { writeFile } from "node:fs/promises";
import { pathToFileURL } from "node:url";

const [page, shot] = process.argv.slice(2);
const wait = (s) => new Promise((done) => setTimeout(done, 1000 * s));
const port = 4400 + (process.pid % 1000);
const binary = readdirSync("/usr/lib")
  .flatMap((folder) => ["4.1", "4.0"].map((version) => `/usr/lib/${folder}/webkit2gtk-${version}/MiniBrowser`))
  .find(existsSync);
const driver = spawn("WebKitWebDriver", [`--port=${port}`], { stdio: "ignore" });

async function asked(method, path, body) {
  const answer = await fetch(`http://127.0.0.1:${port}${path}`, {
    method,
    body: body === undefined ? undefined : JSON.stringify(body),
  });
  const { value } = await answer.json();
  if (value?.error) throw new Error(`${path}: ${value.error}: ${value.message}`);
  return value;
}

async function opened() {
  const options = { binary, args: ["--automation"] };
  const body = { capabilities: { alwaysMatch: { "webkitgtk:browserOptions": options } } };
  for (let tries = 0; ; tries++) {
    try {
      return (await asked("POST", "/session", body)).sessionId;
    } catch (error) {
      if (tries > 30 || error.cause?.code !== "ECONNREFUSED") throw error;
      await wait(0.3);
    }
  }
}

let session = "";
const run = (script) => asked("POST", `${session}/execute/sync`, { script, args: [] });
const text = () => run("return document.body.innerText");

async function press(key) {
  const strokes = ["keyDown", "keyUp"].map((type) => ({ type, value: key }));
  await asked("POST", `${session}/actions`, { actions: [{ type: "key", id: "keys", actions: strokes }] });
}

async function comes(what, script, wanted, seconds) {
  let found;
  for (let left = 4 * seconds; left > 0; left--) {
    found = await run(script);
    if (wanted.test(found)) return found;
    await wait(0.25);
  }
  throw new Error(`${what}: waited ${seconds} s for ${wanted}, found: ${found}`);
}

try {
  session = `/session/${await opened()}`;
  await asked("POST", `${session}/url`, { url: pathToFileURL(page).href });
  await run(`window.faults = [];
    addEventListener("error", (event) => faults.push(String(event.message)));
    addEventListener("unhandledrejection", (event) => faults.push(String(event.reason)));`);
  const seen = `return [...document.querySelectorAll(".pic svg")].filter((p) => p.getClientRects().length).length`;
  assert.ok((await run(seen)) >= 1, "the picture is shown");
  const chosen = `return document.querySelector('input[type="radio"][name^="sounds"]:checked').value`;
  const original = await run(chosen);
  await press("v");
  assert.notEqual(await run(chosen), original, "V chooses another version");

  const button = `return document.querySelector('[data-do="play"]').textContent`;
  const told = `return document.querySelector(".fault:not([hidden])")?.textContent ?? ""`;
  const before = await run(button);
  await press("p");
  const state = await comes("Play", `${button} + (() => { ${told} })()`, /Pause|No sound output|cannot decode/, 40);
  const plays = /Pause/.test(state);
  if (plays) {
    await wait(2.5);
    await press("p");
    assert.notEqual(await comes("Pause", button, /Play/, 5), before, "the song has moved on");
  } else console.log(`webkit: it does not play, and the page says: ${await run(told)}`);
  if (shot) await writeFile(shot, Buffer.from(await asked("GET", `${session}/screenshot`), "base64"));

  await run(`document.querySelector("[data-blind=start]").click()`);
  await run(`[...document.querySelectorAll(".trial button")].find((b) => /Play/.test(b.textContent)).click()`);
  const trial = `return document.querySelector(".trial")?.innerText ?? ""`;
  const first = await comes("the blind test", trial, /The second sounds|Now answer|Nothing was heard/, 40);
  assert.equal(/Nothing was heard/.test(first), !plays, "the blind test is heard where the page plays");
  assert.match(await text(), /Leave the test/);
  assert.deepEqual(await run("return faults"), []);
  console.log(`webkit: opened, switched, ${plays ? "played" : "told why it does not play"}, blind test asked`);
} finally {
  if (session) await asked("DELETE", session).catch(() => {});
  driver.kill();
}
