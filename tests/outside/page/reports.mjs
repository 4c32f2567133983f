// Opens reports from disk: nothing in the console, no request, no violation that axe-core
// knows, valid HTML, plots that are linked, that zoom together and that stand without a script,
// nothing cut off on a phone or on paper.
//
// node reports.mjs FOLDER FILE.html…      screenshots go into FOLDER
import { readFile } from "node:fs/promises";
import { createRequire } from "node:module";
import { basename, join, resolve } from "node:path";
import { pathToFileURL } from "node:url";
import { HtmlValidate } from "html-validate";
import { expect, finish, launch, listen } from "./browser.mjs";

const [folder, ...files] = process.argv.slice(2);
const axe = await readFile(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const validator = new HtmlValidate({ root: true, extends: ["html-validate:recommended"] });
// Contrast depends on the scheme and nothing else does, so each width comes in one of them.
const views = [["desktop", 1280, "light"], ["phone", 390, "dark"]];
// Pages of one axis and of two, in which zoom and instant are gone through; the others have the
// same script.
const thorough = ["carousel.html", "panorama.html"];
// Sheets of A4 at most.
const sheets = { "carousel.html": 5 };
// What is left of the sheet between the margins of the page's @page rule, at 96 px an inch.
const papers = { A4: 210 - 24, Letter: 215.9 - 24 };

const problems = [];
const browser = await launch();
for (const file of files) {
  const found = [];
  await validate(file, found);
  for (const [name, width, colorScheme] of views) await look(file, name, width, colorScheme, found);
  await print(file, found);
  await withoutScript(file, found);
  problems.push(...found.map((problem) => `${basename(file)}: ${problem}`));
}
await browser.close();
finish(problems);

async function validate(file, found) {
  const report = await validator.validateFile(file);
  for (const { messages } of report.results) {
    for (const { ruleId, message, line } of messages) found.push(`HTML line ${line}: ${message} (${ruleId})`);
  }
}

async function open(file, options, found) {
  const context = await browser.newContext(options);
  // Nothing gives up on a slow machine.
  context.setDefaultTimeout(0);
  await context.setOffline(true);
  const page = await context.newPage();
  const address = pathToFileURL(resolve(file)).href;
  listen(page, address, found);
  await page.goto(address);
  return { context, page };
}

async function look(file, name, width, colorScheme, found) {
  const { context, page } = await open(file, { viewport: { width, height: 800 }, colorScheme, hasTouch: name === "phone" }, found);
  if (name === "phone") await decidesFirst(page, found);
  const wide = await page.evaluate(() => document.documentElement.scrollWidth - window.innerWidth);
  expect(wide <= 0, `${name}: ${wide} px wider than the window`, found);
  await audit(page, `${name}, ${colorScheme}`, found);
  await page.screenshot({ path: join(folder, `${basename(file, ".html")}-${name}-${colorScheme}.png`), fullPage: true });
  if (await page.locator(".stage").count()) {
    await point(page, found);
    if (thorough.includes(basename(file))) await audit(page, `${name}, ${colorScheme}, with an instant shown`, found);
    await page.screenshot({ path: join(folder, `${basename(file, ".html")}-${name}-${colorScheme}-instant.png`) });
    if (name === "desktop" && thorough.includes(basename(file))) await zoom(page, found);
  }
  await context.close();
}

async function audit(page, where, found) {
  await page.evaluate(axe);
  const { violations } = await page.evaluate(() => window.axe.run());
  for (const { id, help, nodes } of violations) found.push(`axe, ${where}: ${help} (${id}): ${nodes[0].html.slice(0, 200)}`);
}

// What decides on a move is seen without scrolling sideways.
async function decidesFirst(page, found) {
  const heads = await page.locator("#moves thead th").evaluateAll((all) =>
    all.map((head) => [head.textContent, head.getBoundingClientRect().right > window.innerWidth]));
  for (const wanted of ["verdict", "torque left", "peak lag"]) {
    const head = heads.find(([text]) => text === wanted);
    expect(heads.length === 0 || (head && !head[1]), `phone: the column "${wanted}" is out of sight`, found);
  }
}

// All plots over time show one stretch, by keys, by the wheel, by dragging and by buttons.
async function zoom(page, found) {
  const stages = page.locator(".plot.time .stage");
  const seen = () => page.evaluate(() => [...document.querySelectorAll(".plot.time .stage")].map((stage) =>
    [...stage.querySelectorAll(".numbers text")].map((text) => text.textContent).join(" ")));
  const curves = () => page.locator(".plot.time .curve").evaluateAll((all) => all.map((curve) => curve.getAttribute("d")).join());
  const told = () => page.locator(".zoom span").textContent();
  const first = [await seen(), await curves(), await told()];
  const stretch = async () => { const [from, to] = (await told()).match(/[\d.]+(?= s)/g).map(Number); return to - from; };
  const begins = await stretch();
  const together = async (what, share) => {
    const shown = await seen();
    expect(shown.every((one) => one === shown[0] && one !== first[0][0]), `${what}: the plots do not zoom together: ${shown}`, found);
    const part = await stretch() / begins;
    expect(Math.abs(part / share - 1) < 0.1, `${what}: ${part} of the time is shown`, found);
    await page.keyboard.press("0");
    expect(JSON.stringify([await seen(), await curves(), await told()]) === JSON.stringify(first), `${what}: 0 does not show the beginning again`, found);
  };
  await stages.nth(1).focus();
  await page.keyboard.press("+");
  await page.keyboard.press("+");
  await together("keys", 1 / 4);
  const box = await stages.nth(1).locator("> svg").boundingBox();
  const middle = box.y + box.height / 2;
  await page.mouse.move(box.x + box.width * 0.5, middle);
  await page.mouse.wheel(0, -100);
  await page.mouse.wheel(0, -100);
  await page.waitForFunction((was) => document.querySelector(".zoom span").textContent !== was, first[2]);
  await page.waitForTimeout(50);
  await together("wheel", 1 / 2);
  await page.mouse.move(box.x + box.width * 0.2, middle);
  await page.mouse.down();
  await page.mouse.move(box.x + box.width * 0.5, middle, { steps: 4 });
  await page.mouse.up();
  await together("dragging", 0.3);
  await page.getByRole("button", { name: "Enlarge" }).click();
  await stages.nth(1).focus();
  await together("a button", 1 / 2);
  const whole = page.getByRole("button", { name: "Whole program" });
  await whole.click();
  expect((await told()).startsWith("0 s"), "the whole program does not begin at 0", found);
  expect((await whole.getAttribute("aria-pressed")) === "true", "the button does not say that all is shown", found);
}

// Without its script the page has its plots, and nothing that would need it.
async function withoutScript(file, found) {
  const { context, page } = await open(file, { javaScriptEnabled: false, viewport: { width: 1280, height: 800 } }, found);
  const plots = await page.locator(".stage").count();
  const drawn = await page.locator(".stage svg .curve").evaluateAll((all) => all.filter((curve) => (curve.getAttribute("d") ?? "").length > 3).length);
  expect(drawn >= plots, `without script: ${drawn} curves in ${plots} plots`, found);
  const shown = await page.locator(".zoom, .hint, #instant").evaluateAll((all) => all.filter((one) => one.checkVisibility()).length);
  expect(shown === 0, "without script: something shows that needs it", found);
  const unread = await page.locator(".stage").evaluateAll((all) =>
    all.filter((stage) => stage.getAttribute("role") !== "img" || stage.getAttribute("aria-label").length <= 20).length);
  expect(unread === 0, `without script: ${unread} plots are not described`, found);
  await context.close();
}

// The keyboard and the pointer move one instant through all the plots.
async function point(page, found) {
  const values = () => page.locator(".legend output").allTextContents();
  const shown = async () => (await values()).filter((text) => text !== "").length;
  const stages = page.locator(".stage[tabindex]");
  expect((await shown()) === 0, "values are shown before anything is pointed at", found);
  await stages.first().focus();
  await page.keyboard.press("PageDown");
  for (let press = 0; press < 3; press += 1) await page.keyboard.press("ArrowRight");
  expect((await shown()) >= 3, "the arrow keys do not show values in all plots", found);
  const before = await values();
  await page.keyboard.press("Shift+ArrowRight");
  const after = await values();
  expect(before.some((text, index) => text !== after[index]), "the arrow keys do not move the instant", found);
  const told = await stages.first().getAttribute("aria-valuetext");
  expect(/ s, .+: /.test(told ?? ""), `a screen reader hears "${told}"`, found);
  await page.keyboard.press("Escape");
  expect((await shown()) === 0, "Escape does not take the instant away", found);
  for (const stage of [stages.first(), page.locator(".stage.tall[tabindex]").first()]) {
    await stage.scrollIntoViewIfNeeded();
    const box = await stage.locator("> svg").boundingBox();
    await page.mouse.move(box.x + box.width * 0.41, box.y + box.height * 0.6);
    expect((await shown()) >= 2, "pointing at a plot does not show values", found);
    expect(await page.locator("#instant").isVisible(), "the bar with the instant does not show", found);
  }
  const button = page.locator("button[data-at]").first();
  await button.click();
  expect((await page.locator("tr.now").count()) > 0, "the row of the move does not light up", found);
}

async function print(file, found) {
  for (const [format, millimetres] of Object.entries(papers)) {
    const width = Math.floor((millimetres / 25.4) * 96);
    const { context, page } = await open(file, { viewport: { width, height: 1000 }, colorScheme: "dark" }, found);
    await page.emulateMedia({ media: "print" });
    await page.evaluate(() => window.dispatchEvent(new Event("beforeprint")));
    const cut = await page.evaluate(() => {
      const right = document.documentElement.clientWidth;
      const parts = [...document.querySelectorAll("table, pre, figure, dl, .verdict")];
      return parts.filter((part) => part.getBoundingClientRect().right > right + 1 || part.scrollWidth > part.clientWidth + 1)
        .map((part) => part.textContent.trim().slice(0, 60));
    });
    for (const part of cut) found.push(`${format}: cut off on the right: ${part}`);
    const broken = await page.evaluate(() => [...document.querySelectorAll("h1, h2, h3, th")]
      .filter((head) => getComputedStyle(head).overflowWrap !== "normal").map((head) => head.textContent));
    for (const head of broken) found.push(`${format}: may break inside a word: ${head}`);
    const pdf = await page.pdf({ path: join(folder, `${basename(file, ".html")}-${format}.pdf`), format, preferCSSPageSize: false, printBackground: true });
    // Each page is an object of its own (ISO 32000-1, 7.7.3.3), which Chromium does not compress.
    const pages = pdf.toString("latin1").match(/\/Type\s*\/Page\b(?!s)/g)?.length ?? 0;
    const most = sheets[basename(file)] ?? 9;
    expect(pages > 0 && (format !== "A4" || pages <= most), `${format}: ${pages} pages, at most ${most} wanted`, found);
    await context.close();
  }
}
