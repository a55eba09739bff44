// The comparison page in Firefox, over WebDriver BiDi: opens from a file, plays, switches, prints.
// node firefox.mjs PAGE.html PRINTED.pdf
import { strict as assert } from "node:assert";
import { writeFile } from "node:fs/promises";
import { pathToFileURL } from "node:url";
import puppeteer from "puppeteer-core";

const [page_, printed] = process.argv.slice(2);
const wait = (s) => new Promise((done) => setTimeout(done, 1000 * s));
const browser = await puppeteer.launch({
  browser: "firefox",
  executablePath: process.env.RETUNE_FIREFOX || "/usr/bin/firefox-esr",
  headless: true,
  extraPrefsFirefox: { "media.autoplay.default": 0 },
});
try {
  const page = await browser.newPage();
  const faults = [];
  page.on("pageerror", (error) => faults.push(String(error)));
  await page.goto(pathToFileURL(page_).href);
  const shown = (selector) =>
    page.$$eval(selector, (all) => all.filter((one) => one.getClientRects().length).length);
  assert.ok((await shown(".pic svg")) >= 1, "the picture is shown");
  const button = () => page.$eval('[data-do="play"]', (one) => one.textContent);
  const chosen = () => page.$eval('input[type="radio"][name^="sounds"]:checked', (one) => one.value);
  const original = await chosen();
  await page.keyboard.press("v");
  assert.notEqual(await chosen(), original, "V chooses another version");
  const before = await button();
  await page.keyboard.press("p");
  const text = () => page.$eval("body", (body) => body.innerText);
  for (let i = 0; i < 40 && !/ause/.test(await button()) && !/No sound output/.test(await text()); i++) await wait(0.5);
  await wait(2);
  const told = await text();
  if (/No sound output answers/.test(told)) console.log("firefox: no sound output here, and the page says so");
  else {
    assert.match(await button(), /ause/);
    await page.keyboard.press("p");
    assert.notEqual(await button(), before, "the song has moved on");
  }
  await writeFile(printed, await page.pdf({ preferCSSPageSize: true, printBackground: true }));
  assert.deepEqual(faults, []);
  console.log("firefox: opened, switched, printed");
} finally {
  await browser.close();
}
