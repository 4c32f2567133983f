// A Chromium of its own for each check: no network, no profile of anybody's.
import { chromium } from "playwright-core";

export const launch = () =>
  chromium.launch({
    executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium",
    timeout: 0,
    args: [
      "--no-sandbox",
      "--disable-gpu",
      "--disable-quic",
      "--no-first-run",
      "--disable-background-networking",
      "--disable-component-update",
      "--disable-sync",
    ],
  });

// Collects whatever a page says or asks for that it should not; `own` is its address.
export function listen(page, own, problems) {
  page.on("console", (message) => {
    if (message.type() === "error" || message.type() === "warning") problems.push(`console: ${message.text()}`);
  });
  page.on("pageerror", (error) => problems.push(`script: ${error.message}`));
  page.on("request", (request) => {
    if (request.url().split(/[?#]/)[0] !== own) problems.push(`request: ${request.url()}`);
  });
}

export function expect(holds, what, problems) {
  if (!holds) problems.push(what);
}

export function finish(problems) {
  for (const problem of problems) console.error(problem);
  process.exit(problems.length === 0 ? 0 : 1);
}
