// Opens reports from disk: nothing in the console, no request, no violation that axe-core
// knows, valid HTML, plots that are linked, nothing cut off on a phone or on paper.
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
const widths = { phone: 390, desktop: 1280 };
// What is left of the sheet between the margins of the page's @page rule, at 96 px an inch.
const papers = { A4: 210 - 24, Letter: 215.9 - 24 };

const problems = [];
const browser = await launch();
for (const file of files) {
  const found = [];
  await validate(file, found);
  for (const colorScheme of ["light", "dark"]) {
    for (const [name, width] of Object.entries(widths)) await look(file, name, width, colorScheme, found);
  }
  await print(file, found);
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
  const wide = await page.evaluate(() => document.documentElement.scrollWidth - window.innerWidth);
  expect(wide <= 0, `${name}: ${wide} px wider than the window`, found);
  await audit(page, `${name}, ${colorScheme}`, found);
  await page.screenshot({ path: join(folder, `${basename(file, ".html")}-${name}-${colorScheme}.png`), fullPage: true });
  if (await page.locator(".stage").count()) {
    await point(page, found);
    await audit(page, `${name}, ${colorScheme}, with an instant shown`, found);
    await page.screenshot({ path: join(folder, `${basename(file, ".html")}-${name}-${colorScheme}-instant.png`) });
  }
  await context.close();
}

async function audit(page, where, found) {
  await page.evaluate(axe);
  const { violations } = await page.evaluate(() => window.axe.run());
  for (const { id, help, nodes } of violations) found.push(`axe, ${where}: ${help} (${id}): ${nodes[0].html.slice(0, 200)}`);
}

// The keyboard and the pointer move one instant through all the plots.
async function point(page, found) {
  const values = () => page.locator(".legend output").allTextContents();
  const shown = async () => (await values()).filter((text) => text !== "").length;
  const stages = page.locator(".stage");
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
  for (const stage of [stages.first(), page.locator(".stage.tall").first()]) {
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
    await page.pdf({ path: join(folder, `${basename(file, ".html")}-${format}.pdf`), format, preferCSSPageSize: false, printBackground: true });
    await context.close();
  }
}
