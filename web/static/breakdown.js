// Writing a breakdown: the points follow the text; points are moved by dragging or by keys; nothing that
// somebody else kept is written over.
import { answered, ask } from "./ask.js";
import { pictures } from "./cards.js";
import { reorder } from "./reorder.js";

const root = document.querySelector(".bd-edit");
const form = root.querySelector(".bd-text");
const text = form.elements.text;
const panel = root.querySelector("[data-panel]");
const said = form.querySelector("[data-said]");
const moved = root.querySelector("[data-moved]");
const PATIENCE = 600; // milliseconds of quiet before the points are shown anew
let kept = text.dataset.changed ? null : text.value;
let waiting, asked = 0, leaving = false;

const { key } = root.dataset;
const changed = () => text.value !== kept || !inOrder();

function tell() {
  if (text.readOnly) return;
  said.textContent = changed() ? "Not kept yet." : "";
  for (const button of panel.querySelectorAll("[data-update] button")) button.disabled = changed();
}

// --- the points of the text as it stands ---
async function show() {
  const turn = ++asked;
  const body = new URLSearchParams({ text: text.value });
  try {
    const page = await (await answered(root.dataset.shown, { method: "POST", key, body })).text();
    if (turn !== asked || !inOrder() || panel.querySelector(".dragged")) return; // a later one is on its way, or follows
    const held = document.activeElement?.closest("[data-number]")?.dataset.number;
    panel.replaceChildren(...new DOMParser().parseFromString(page, "text/html").body.childNodes);
    pictures(panel);
    if (held !== undefined) panel.querySelector(`[data-number="${held}"] [data-grip]`)?.focus();
    tell();
  } catch {
    if (turn === asked) said.textContent = "The points cannot be shown just now; the text is still here.";
  }
}

text.addEventListener("input", () => {
  tell();
  later();
});

// --- keeping ---
form.addEventListener("submit", async (e) => {
  if (leaving) return;
  e.preventDefault();
  said.textContent = "Keeping…";
  await ordered(); // a point that was moved just now
  const value = text.value;
  try {
    const told = await ask(root.dataset.keep, { method: "PUT", key, json: { text: value, seen: form.elements.seen.value } });
    form.elements.seen.value = told.seen;
    kept = value;
    tell();
    if (!changed()) said.textContent = "Kept.";
    clearTimeout(waiting);
    show();
  } catch (problem) {
    if (!problem.status) { said.textContent = "Not kept: the library cannot be reached. Try again."; return; }
    leaving = true; // the page says what is wrong, with both texts
    form.requestSubmit();
  }
});

addEventListener("keydown", (e) => {
  if ((e.ctrlKey || e.metaKey) && e.key.toLowerCase() === "s") { e.preventDefault(); if (!text.readOnly) form.requestSubmit(); }
});
addEventListener("beforeunload", (e) => { if (changed() && !leaving && !text.readOnly) e.preventDefault(); });

// --- order ---
const points = () => [...panel.querySelectorAll("[data-number]")];

// The text follows the rows when they rest; the next move is sent when the last one has been answered.
const inOrder = () => points().every((p, i) => Number(p.dataset.number) === i);
let last = null, ordering = null; // the row that was moved last; what is being asked

function order(row) {
  last = row;
  asked += 1; // what is on its way has the order before
  tell();
  later();
}
function later() {
  clearTimeout(waiting);
  waiting = setTimeout(async () => {
    const problem = await ordered();
    await show();
    if (problem) said.textContent = problem;
  }, PATIENCE);
}
function ordered() {
  ordering ??= follow().finally(() => { ordering = null; });
  return ordering;
}
async function follow() { // what went wrong, or nothing
  try {
    while (!inOrder()) {
      const before = text.value, rows = points(), numbers = rows.map((p) => Number(p.dataset.number));
      const told = await ask(root.dataset.order, { method: "POST", key, json: { text: before, order: numbers } });
      if (text.value !== before) continue; // somebody went on writing: the same move, in that text
      text.setRangeText(told.text, 0, before.length, "start");
      rows.forEach((p, i) => { p.dataset.number = i; });
      if (inOrder()) moved.textContent = `${last.querySelector("h2").textContent.replace(/^\d+\. /, "")} is now point ${points().indexOf(last) + 1} of ${rows.length}`;
    }
    tell();
    return "";
  } catch (problem) {
    const rows = points().sort((a, b) => a.dataset.number - b.dataset.number);
    rows[0].parentElement.append(...rows); // as the text has them
    tell();
    return moved.textContent = problem.message;
  }
}

reorder(panel, { rows: "[data-number]", may: () => !text.readOnly, moved: order });

// --- from a point to its text ---
panel.addEventListener("click", (e) => {
  const link = e.target.closest("[data-to-line]");
  if (!link) return;
  e.preventDefault();
  const lines = text.value.split("\n").slice(0, Number(link.dataset.toLine));
  const at = lines.join("\n").length + (lines.length ? 1 : 0);
  text.focus();
  text.setSelectionRange(at, at);
  // Scrolled so that the line is near the top: lines are wrapped, so it is measured by a copy.
  const copy = text.cloneNode();
  copy.value = lines.join("\n");
  Object.assign(copy.style, { position: "absolute", visibility: "hidden", height: "0", minHeight: "0", width: `${text.offsetWidth}px` });
  copy.removeAttribute("id");
  form.append(copy);
  text.scrollTop = Math.max(0, copy.scrollHeight - 40);
  copy.remove();
});

tell();
