// An open page of `watch` shows what is wrong, and goes back to the report, by itself.
//
// node watched.mjs PROGRAM FOLDER      FOLDER holds the scenario that `new` writes
import { spawn } from "node:child_process";
import { access, readFile, writeFile } from "node:fs/promises";
import { join, resolve } from "node:path";
import { setTimeout as pause } from "node:timers/promises";
import { pathToFileURL } from "node:url";
import { expect, finish, launch, listen } from "./browser.mjs";

const [program, folder] = process.argv.slice(2);
const script = join(folder, "turntable.moves");
const output = join(folder, "page.html");
const problems = [];

const watch = spawn(program, ["watch", script, "-o", output], { stdio: "ignore" });
const ended = new Promise((done) => watch.on("exit", (code) => done(code)));
// Nothing here gives up on a slow machine: what is waited for comes, or `watch` ends.
while (watch.exitCode === null && !(await access(output).then(() => true, () => false))) await pause(20);
const browser = await launch();
try {
  const page = await (await browser.newContext()).newPage();
  const address = pathToFileURL(resolve(output)).href;
  listen(page, address, problems);
  await page.goto(address, { timeout: 0 });
  const becomes = (words) => page.locator(".verdict strong", { hasText: words }).waitFor({ timeout: 0 });
  await becomes("May run");
  const good = await readFile(script, "utf8");
  await writeFile(script, good.replace("turn by", "trun by"));
  await becomes("Invalid input");
  expect((await page.locator(".problem").textContent()).includes("trun by"), "the page does not show the line", problems);
  await writeFile(script, good.replace("accel 400", "accel 400000"));
  await becomes("Must not run");
  const news = await page.locator(".news").textContent();
  expect(/^\d\d:\d\d:\d\d UTC: Must not run; before: May run; new: line \d+ \[torque-margin\]/.test(news), `the page says "${news}"`, problems);
  await writeFile(script, good);
  await becomes("May run");
} catch (error) {
  problems.push(error.message);
} finally {
  await browser.close();
  watch.kill("SIGINT");
}
const code = await ended;
expect(code === 130, `Ctrl-C ends it with ${code}`, problems);
finish(problems);
