// Opens pages of reports in a real browser and says what is wrong with them.
//
//   node run.mjs FOLDER…
//
// Every index.html below the folders is opened from its file. The browser is $CHROMIUM or /usr/bin/chromium; nothing is
// downloaded. A page with every fault comes first (faulty/), to see that each is found. Exit code 0: nothing found;
// 1: findings, one a line; 2: no page, no browser, or a fault that goes unseen.
//
// Looked at, of each page:
//   * no message on the console, no error, no request for anything but files below the folders;
//   * no horizontal scrolling at 375, 768 and 1280 px, with all details closed, as they come, and open;
//   * no violation that axe-core finds (WCAG 2.2 A and AA, best practice), light and dark, all details open;
//   * no attribute that carries style or script, every figure inside the page and not empty;
//   * no letter of "NaN", "inf" or "undefined" where a number should be;
//   * the keyboard: Tab comes to the skip link first and to every kind of control, heads sort their table;
//   * print: no table or figure is cut at the edge of the paper; the owner's first page is one page on A4 and on Letter.

import { existsSync, readFileSync, readdirSync, realpathSync, statSync } from "node:fs";
import { createRequire } from "node:module";
import { availableParallelism } from "node:os";
import { join } from "node:path";
import { fileURLToPath, pathToFileURL } from "node:url";
import { chromium } from "playwright-core";

const AXE = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"];
const WIDTHS = [375, 768, 1280];
const PAPERS = ["A4", "Letter"];

/** What has to be found on the faulty page, each by words of its finding. */
const FAULTS = [
  "console: ", "asks for https://picture.invalid", "px wide in a window of 1280", "attributes that the policy makes void: style,onclick",
  "says NaN", "empty figures: empty", "links to nothing on the page: #nowhere", "a link leads nowhere", "light: ", "dark: ",
  "image-alt", "color-contrast", "skip link first", "controls that do not show", "no button", "cut at the edge of A4",
  "nothing on the page is marked as its first page",
];

let findings = [];
let checks = 0;
const faulty = fileURLToPath(new URL("faulty/owner/index.html", import.meta.url));
const folders = process.argv.slice(2).map((folder) => realpathSync(folder));
const pages = folders.flatMap(pagesBelow).sort();
const executablePath = process.env.CHROMIUM ?? "/usr/bin/chromium";
if (pages.length === 0 || !existsSync(executablePath)) {
  console.error(pages.length === 0 ? "no index.html below the folders" : `no browser at ${executablePath}`);
  process.exit(2);
}
const browser = await chromium.launch({ executablePath, args: ["--disable-quic", "--no-first-run"] });

await look(faulty);
const unseen = FAULTS.filter((fault) => !findings.some((finding) => finding.includes(fault)));
if (unseen.length > 0) {
  console.error(`faults that go unseen: ${unseen.join("; ")}\namong\n${findings.join("\n")}`);
  process.exit(2);
}
findings = [];
checks = 0;

// Some pages at a time.
const waiting = [...pages];
const worker = async () => {
  for (let path = waiting.shift(); path !== undefined; path = waiting.shift()) {
    await look(path).catch((error) => findings.push(`${path}: ${error.message}`));
    console.log(`${findings.some((finding) => finding.startsWith(`${path}: `)) ? "BAD" : "ok "}  ${path}`);
  }
};
await Promise.all(Array.from({ length: Math.min(4, availableParallelism()) }, worker));
await browser.close();
for (const finding of findings.sort()) console.log(finding);
console.log(`${pages.length} pages, ${checks} checks, ${findings.length} findings`);
process.exit(findings.length === 0 ? 0 : 1);

/** Every index.html below a folder. */
function pagesBelow(folder) {
  return readdirSync(folder)
    .map((name) => join(folder, name))
    .flatMap((path) => {
      if (statSync(path).isDirectory()) return pagesBelow(path);
      return path.endsWith("/index.html") ? [path] : [];
    });
}

/** All that is looked at, of one page. */
async function look(path) {
  const find = (what) => findings.push(`${path}: ${what}`);
  const check = (holds, what) => {
    checks += 1;
    if (!holds) find(what);
  };
  // Each context is a browser that has seen nothing before.
  const open = async (options = {}) => {
    const context = await browser.newContext(options);
    const page = await context.newPage();
    page.on("console", (message) => find(`console: ${message.text()}`));
    page.on("pageerror", (error) => find(`error: ${error.message}`));
    page.on("request", (request) => {
      const url = new URL(request.url());
      const here = folders.some((folder) => url.href.startsWith(pathToFileURL(folder).href + "/"));
      if (!here) find(`asks for ${request.url()}`);
    });
    await page.goto(pathToFileURL(path).href);
    return page;
  };
  const details = (page, open) =>
    page.evaluate((open) => {
      for (const one of document.querySelectorAll("details")) one.open = open;
    }, open);

  // Widths, with the details as they come, closed and open.
  const page = await open();
  for (const width of WIDTHS) {
    await page.setViewportSize({ width, height: 900 });
    for (const state of [null, false, true]) {
      if (state !== null) await details(page, state);
      const wide = await page.evaluate(() => document.documentElement.scrollWidth);
      check(wide <= width, `${wide} px wide in a window of ${width}, details ${state ?? "as they come"}`);
    }
  }

  // What stands on it.
  const seen = await page.evaluate(() => ({
    attributes: [...document.querySelectorAll("*")]
      .filter((element) => element.id !== "unrounded")
      .flatMap((element) => [...element.attributes].map((attribute) => attribute.name))
      .filter((name) => name === "style" || name.startsWith("on")),
    text: document.body.innerText,
    empty: [...document.querySelectorAll("figure svg")]
      .filter((svg) => svg.querySelectorAll("text").length < 2 || svg.getBoundingClientRect().height < 40)
      .map((svg) => svg.closest("figure").id),
    clipped: [...document.querySelectorAll("figure svg")].flatMap((svg) => {
      const room = svg.getBoundingClientRect();
      return [...svg.querySelectorAll("text")]
        .filter((text) => {
          const box = text.getBoundingClientRect();
          return box.left < room.left - 1 || box.right > room.right + 1 || box.bottom > room.bottom + 1;
        })
        .map((text) => `${svg.closest("figure").id}: ${text.textContent}`);
    }),
    broken: [...document.querySelectorAll("a[href^='#']")]
      .map((link) => link.getAttribute("href"))
      .filter((target) => !document.getElementById(target.slice(1))),
    links: [...document.querySelectorAll("a[href]")]
      .map((link) => link.href)
      .filter((link) => !link.includes("#")),
  }));
  check(seen.attributes.length === 0, `attributes that the policy makes void: ${seen.attributes}`);
  for (const word of [/\bNaN\b/, /\binf\b/, /\bundefined\b/, /\bnull\b/]) {
    check(!word.test(seen.text), `says ${word.exec(seen.text)?.[0]}`);
  }
  check(seen.empty.length === 0, `empty figures: ${seen.empty}`);
  check(seen.clipped.length === 0, `text outside its figure: ${seen.clipped.join(" | ")}`);
  check(seen.broken.length === 0, `links to nothing on the page: ${seen.broken}`);
  for (const link of seen.links) {
    check(link.startsWith("file://") && existsSync(new URL(link)), `a link leads nowhere: ${link}`);
  }

  // Light and dark, by the rules of axe-core. Its text goes in by the debugger, past the page's policy.
  for (const colorScheme of ["light", "dark"]) {
    const page = await open({ colorScheme, viewport: { width: 1280, height: 900 } });
    await details(page, true);
    const session = await page.context().newCDPSession(page);
    await session.send("Runtime.evaluate", { expression: AXE });
    const ran = await session.send("Runtime.evaluate", {
      expression: `axe.run(document, { runOnly: ${JSON.stringify(RULES)}, resultTypes: ["violations"] }).then((found) =>
        JSON.stringify({ passes: found.passes.length, violations: found.violations.map((one) =>
          [one.id, one.help, one.nodes.length, one.nodes.slice(0, 3).map((node) => node.html.slice(0, 160)).join(" | ")].join("; ")) }))`,
      awaitPromise: true,
      returnByValue: true,
    });
    const { passes, violations } = JSON.parse(ran.result.value ?? '{"passes":0,"violations":["axe-core did not run"]}');
    check(passes > 10, `axe-core looked at ${passes} rules only`);
    check(violations.length === 0, `${colorScheme}: ${violations.join("\n    ")}`);
    await page.context().close();
  }

  await keyboard(await open({ viewport: { width: 1280, height: 900 } }), check);
  await print(await open(), check, path);
  await page.context().close();
}

/** The page by keyboard alone. */
async function keyboard(page, check) {
  const skip = () =>
    page.evaluate(() => {
      const box = document.activeElement.getBoundingClientRect();
      return document.activeElement.classList.contains("skip") && box.width > 0 && box.right > 0 && box.bottom > 0;
    });
  await page.keyboard.press("Tab");
  check(await skip(), "Tab does not come to a visible skip link first");
  await page.keyboard.press("Enter");
  check(await page.evaluate(() => document.activeElement.id === "main"), "the skip link does not lead to the main part");

  // Through the whole page: every control is reached, is seen, and shows that it has the focus.
  const controls = await page.evaluate(() => {
    for (const one of document.querySelectorAll("details")) one.open = true;
    window.focused = new Map();
    document.addEventListener("focusin", ({ target }) => {
      const box = target.getBoundingClientRect();
      const style = getComputedStyle(target);
      const ring = style.outlineStyle !== "none" && parseFloat(style.outlineWidth) > 0;
      window.focused.set(target, ring && box.width > 0 && box.right > 0 && box.bottom > 0);
    });
    document.querySelector("a[href]").focus();
    return document.querySelectorAll("a[href], button, summary, [tabindex='0']").length;
  });
  for (let press = 1; press < controls; press += 1) await page.keyboard.press("Tab");
  const { reached, without } = await page.evaluate(() => ({
    reached: window.focused.size,
    without: [...window.focused].filter(([, shown]) => !shown).map(([one]) => one.outerHTML.slice(0, 80)),
  }));
  check(reached === controls, `${reached} of ${controls} controls are reached by Tab`);
  check(without.length === 0, `controls that do not show that they have the focus: ${without.slice(0, 3)}`);

  // By keyboard, a head sorts its table one way and then the other.
  const head = page.locator("thead button").first();
  if ((await head.count()) > 0) {
    for (const [key, order] of [["Enter", "ascending"], ["Space", "descending"]]) {
      await head.focus();
      await page.keyboard.press(key);
      const sorted = await page.locator("th:has(button)").first().getAttribute("aria-sort");
      check(sorted === order, `${key} on the first head sorts ${sorted}`);
    }
  }
  // So does every other: numbers are in order, what has none stands last, and the rows are the same as before.
  const unsorted = await page.evaluate(() => {
    const wrong = [];
    for (const [place, table] of [...document.querySelectorAll("table")].entries()) {
      const rows = () => [...table.tBodies[0].rows];
      const content = () => rows().map((row) => row.textContent).sort().join();
      const heads = [...table.tHead.rows[0].cells];
      if (rows().length > 1 && heads.some((head) => !head.querySelector("button"))) wrong.push(`table ${place}: no button`);
      const before = content();
      for (const [column, head] of heads.entries()) {
        for (const way of [1, -1]) {
          head.querySelector("button")?.click();
          const order = head.getAttribute("aria-sort");
          if (rows().length > 1 && !["ascending", "descending"].includes(order)) wrong.push(`table ${place}: ${order}`);
          // The last bin is open: it ends "and over" every number.
          const value = (cell) => (cell.textContent === "and over" ? Infinity : cell.querySelector("data")?.value);
          const values = rows().map((row) => value(row.cells[column]));
          const known = values.filter((value) => value !== undefined).map(Number);
          const first = values.slice(0, known.length);
          const up = order === "descending" ? -1 : 1;
          const sorted = known.every((value, at) => at === 0 || value === known[at - 1] || (value - known[at - 1]) * up > 0);
          if (rows().length > 1 && known.length > 0 && (first.includes(undefined) || !sorted)) {
            wrong.push(`table ${place}, column ${column}, way ${way}: not ${order}`);
          }
        }
      }
      if (content() !== before) wrong.push(`table ${place} has other rows once it is sorted`);
      if (table.querySelectorAll("[aria-sort]").length > 1) wrong.push(`table ${place} is sorted by two columns at once`);
    }
    return wrong;
  });
  check(unsorted.length === 0, `sorting: ${unsorted.slice(0, 5).join(" | ")}`);

  // A number shows itself unrounded when the mouse is on it, and hides it again.
  const number = page.locator("data[data-of]:visible").first();
  if ((await number.count()) > 0) {
    await number.scrollIntoViewIfNeeded();
    await number.hover();
    const note = page.locator("#unrounded");
    const text = (await note.textContent()) ?? "";
    check((await note.isVisible()) && text.startsWith(await number.getAttribute("value")), "no unrounded number on hover");
    await page.keyboard.press("Escape");
    check(await note.isHidden(), "Escape does not hide the unrounded number");
  }
  const stop = page.locator("data[tabindex='0']").first();
  if ((await stop.count()) > 0) {
    await stop.focus();
    check(await page.locator("#unrounded").isVisible(), "no unrounded number on focus");
  }
  await page.context().close();
}

/** The page on paper. */
async function print(page, check, path) {
  for (const format of PAPERS) {
    // Width of the print area at 96 px an inch, with the margins of the style sheet (13 mm on each side).
    const inches = format === "A4" ? 210 / 25.4 : 8.5;
    const room = Math.floor(96 * (inches - 26 / 25.4));
    await page.emulateMedia({ media: "print" });
    await page.setViewportSize({ width: room, height: 1000 });
    const cut = await page.evaluate(
      (room) =>
        [...document.querySelectorAll("table, figure, pre, p, li")]
          .filter((one) => one.getBoundingClientRect().right > room + 1)
          .map((one) => `${one.tagName} ${(one.id || one.textContent).slice(0, 40)}`),
      room,
    );
    check(cut.length === 0, `cut at the edge of ${format}: ${cut.slice(0, 5).join(" | ")}`);
    const whole = sheets(await page.pdf({ format, preferCSSPageSize: false }));
    check(whole > 0, `${format}: no page in the PDF`);
  }
  if (path.endsWith("/owner/index.html")) {
    // The first page is printed with all that stands before it, and with nothing of what comes after.
    const found = await page.evaluate(() => {
      const first = document.getElementById("first-page");
      if (!first) return false;
      for (let at = first; at !== document.body; at = at.parentElement) {
        while (at.nextElementSibling) at.nextElementSibling.remove();
      }
      return true;
    });
    check(found, "nothing on the page is marked as its first page");
    for (const format of found ? PAPERS : []) {
      const count = sheets(await page.pdf({ format }));
      check(count === 1, `the first page takes ${count} pages on ${format}`);
    }
  }
  await page.context().close();
}

/** How many pages a PDF has, by its page objects. */
function sheets(pdf) {
  return (pdf.toString("latin1").match(/\/Type\s*\/Page(?![a-zA-Z])/g) ?? []).length;
}
