// The drawing page: place points with finger, mouse or keys; everything is kept at once and can be undone.
import { ask } from "./ask.js";
import { stage } from "./player.js";
import { boardOver } from "./board.js";
import { make, picture } from "./draw_shapes.js";
import { handles, shares } from "./draw_points.js";
import { steps } from "./draw_steps.js";

const APART = 30; // pixels of the screen between a path's handles at least
const MANY = 60; // points up to which keys visit them all

const place = document.querySelector(".stage");
const video = place.querySelector("video");
const problem = document.querySelector("[data-problem]");
const how = document.querySelector("[data-how]");
const list = document.querySelector("[data-list]");
const fresh = document.querySelector("[data-new]");
const form = document.querySelector("[data-one]");
const measure = document.querySelector("[data-measure]");
const tools = [...document.querySelectorAll("[name=tool]")];
const player = stage(place);

let frames, zero, frame = 0;
let drawings = []; // as the server keeps them
let chosen = null, part = 0; // id of the chosen one; which of its points: 0 is the whole, 1 the first

const tool = () => (frames ? tools.find((one) => one.checked).value : "");
const one = (id) => drawings.find((drawing) => drawing.id === id);
const usAt = (number) => zero + frames.times[number];

// --- keeping ---
const send = (address, body = {}) => ask(address, { method: "POST", key: place.dataset.key, json: body });
function tell(text) { problem.textContent = text; problem.hidden = false; }
const plain = ({ kind, points, from, until, colour, width, text, shots }) => ({ kind, points, from, until, colour, width, ...(text ? { text } : {}), ...(shots ? { shots } : {}) });
const address = (id, what = "") => `${place.dataset.add}/${id}${what}`;
function put(kept) {
  const old = drawings.findIndex((drawing) => drawing.id === kept.id);
  if (old < 0) drawings.push(kept); else drawings[old] = kept;
  drawings.sort((a, b) => a.id - b.id);
}
const off = (id) => { drawings = drawings.filter((drawing) => drawing.id !== id); if (chosen === id) choose(null); };
const acts = {
  remove: (id) => send(address(id, "/remove")).then(() => off(id)),
  restore: (id) => send(address(id, "/restore")).then(put),
  write: (id, values) => send(address(id), plain(values)).then(put),
};
const history = steps({
  undo: document.querySelector("[data-undo]"),
  redo: document.querySelector("[data-redo]"),
  failed: (error) => { tell(error.message); return reload().catch(() => {}); }, // what is shown may be kept all the same
  settled: (fine) => { if (fine) problem.hidden = true; refresh(); },
});
function add(kind, points) {
  const values = new FormData(fresh), lasts = values.get("lasts"), text = values.get("text").trim();
  if (kind === "text" && !text) {
    say("A text needs words: write them beside “Words”, then place it again.");
    fresh.elements.text.focus();
    return;
  }
  const end = frames.times.length - 1;
  const from = lasts === "clip" ? usAt(0) : usAt(frame);
  const until = lasts === "clip" ? usAt(end) : lasts === "frame" ? usAt(frame + 1) : Math.min(from + 2_000_000, usAt(end));
  const drawing = { kind, points, from: from / 1e6, until: until / 1e6, colour: values.get("colour"), width: Number(values.get("width")), text };
  let id;
  history.run({
    first: () => send(place.dataset.add, plain(drawing)).then((kept) => { id = kept.id; put(kept); choose(id); }),
    again: () => acts.restore(id),
    back: () => acts.remove(id),
  });
}
function remove(id) {
  history.run({ first: () => acts.remove(id), again: () => acts.remove(id), back: () => acts.restore(id) });
}
function change(id, before, after) {
  put({ ...after });
  history.run({ first: () => acts.write(id, after), again: () => acts.write(id, after), back: () => acts.write(id, before) });
}
const reload = () => ask(place.dataset.kept).then((told) => { drawings = told.drawings; zero = told.zero; });

// --- showing ---
const visible = (drawing) => drawing.from_us <= usAt(frame) && usAt(frame) < drawing.until_us;
function say(text) { how.textContent = text; }
function parts({ at, unit, svg }) {
  if (!frames) return [];
  const high = video.videoHeight, scale = unit(), changing = tool() === "change";
  svg.classList.toggle("changing", changing);
  const shown = drawings.filter((drawing) => visible(drawing) || drawing.id === chosen);
  const made = shown.map((drawing) => {
    const group = picture(drawing, at, high);
    group.dataset.id = drawing.id;
    if (drawing.id === chosen) group.classList.add("chosen");
    if (changing) {
      const line = group.querySelector(".ink");
      if (line) group.append(make("path", { d: line.getAttribute("d"), class: "grab", "stroke-width": 24 * scale }));
    }
    return group;
  });
  const kept = one(chosen);
  if (kept && changing) {
    const radius = kept.points.length > 3 ? 6 : 8;
    held(kept).forEach((n) => {
      const [cx, cy] = at.to(kept.points[n]);
      const handle = make("circle", { cx, cy, r: radius * scale, class: `handle${part === n + 1 ? " current" : ""}`, "stroke-width": 2 * scale });
      handle.dataset.point = n;
      made.push(handle);
    });
  }
  return made;
}
const named = (drawing) => `${drawing.kind} ${drawing.id}${drawing.text ? ` “${drawing.text}”` : ""}`;
const frameOf = (us) => { let n = 0; while (n < frames.times.length - 2 && usAt(n + 1) <= us) n += 1; return n; };
function refresh() {
  const items = drawings.map((drawing) => {
    const item = document.createElement("li");
    const pick = Object.assign(document.createElement("button"), { type: "button", className: "pick-drawing" });
    pick.setAttribute("aria-pressed", String(drawing.id === chosen));
    pick.dataset.pickDrawing = drawing.id;
    const sample = Object.assign(document.createElement("span"), { className: "sample" });
    sample.style.background = drawing.colour;
    pick.append(sample, `${named(drawing)}, frame ${frames.first + frameOf(drawing.from_us)} to ${frames.first + frameOf(drawing.until_us - 1)}`);
    const away = Object.assign(document.createElement("button"), { type: "button", className: "away-one", textContent: "×" });
    away.dataset.away = drawing.id;
    away.setAttribute("aria-label", `Remove ${named(drawing)}`);
    item.append(pick, away);
    return item;
  });
  const focused = document.activeElement?.dataset?.pickDrawing;
  list.replaceChildren(...items);
  if (focused) list.querySelector(`[data-pick-drawing="${focused}"]`)?.focus();
  document.querySelector("[data-none]").hidden = drawings.length > 0;
  fill();
  lines();
  board.hint();
  board.draw();
}
function offer(select, value, text = value) {
  if (![...select.options].some((option) => option.value === value)) select.add(new Option(text, value));
  select.value = value;
}
function fill() {
  const kept = one(chosen);
  form.hidden = !kept;
  if (!kept) return;
  document.querySelector("[data-name]").textContent = `Change ${named(kept)}`;
  const fields = form.elements;
  offer(fields.colour, kept.colour);
  offer(fields.width, String(kept.width), `${Math.round(kept.width * 1000) / 10} % of the height`);
  if (document.activeElement !== fields.text) fields.text.value = kept.text ?? "";
  fields.first.value = frames.first + frameOf(kept.from_us);
  fields.last.value = frames.first + frameOf(kept.until_us - 1);
  for (const name of ["first", "last"]) { fields[name].min = frames.first; fields[name].max = frames.first + frames.times.length - 2; }
}
function choose(id) {
  chosen = id;
  part = 0;
  const kept = one(id);
  if (kept && !visible(kept)) player.goTo(frameOf(kept.from_us));
}

// --- measuring ---
function lines() {
  const good = drawings.filter((drawing) => ["line", "arrow", "path"].includes(drawing.kind));
  measure.hidden = good.length < 3;
  if (measure.hidden) return;
  ["first", "second", "of"].forEach((name, n) => {
    const select = measure.elements[name], before = select.value;
    select.replaceChildren(...good.map((drawing) => new Option(named(drawing), drawing.id)));
    select.value = good.some((drawing) => String(drawing.id) === before) ? before : good[n].id;
  });
  share();
}
async function share() {
  const out = measure.querySelector("[data-share]");
  out.textContent = await ask(`${place.dataset.share}?${new URLSearchParams(new FormData(measure))}`)
    .then((told) => `${told.share.toFixed(2)} of its length`, (problem) => problem.message);
}
measure.addEventListener("change", share);
measure.addEventListener("submit", (e) => e.preventDefault());

// --- changing what is drawn ---
let before = null; // what the drawing was that is held
const board = boardOver(video, {
  tool, parts, say,
  made: add,
  style: () => ({ colour: fresh.elements.colour.value, width: Number(fresh.elements.width.value) }),
  placing: () => video.pause(),
  change: {
    hint: () => (chosen === null ? "Choose a drawing in the picture or in the list." : "Drag the drawing or one of its points; arrow keys move it too, and Enter goes on to the next point."),
    take(spot, e) {
      const group = e.target.closest("[data-id]"), point = nearest(spot, e.pointerType === "touch" ? 22 : 10);
      if (point !== undefined) part = point + 1;
      else if (group) { if (chosen !== Number(group.dataset.id)) choose(Number(group.dataset.id)); part = 0; }
      else choose(null);
      before = one(chosen) ?? null;
      refresh();
      return before;
    },
    drag(by) { put(moved(before, by)); },
    drop(far) {
      const after = one(before.id);
      if (after && far) change(before.id, before, after); else if (after) put(before);
    },
    giveUp() { put(before); },
    nudge(by) {
      const kept = one(chosen);
      if (!kept) return;
      nudged ??= kept;
      put(moved(kept, by));
      clearTimeout(nudging);
      nudging = setTimeout(settleNudge, 600);
    },
    next(by) { settleNudge(); if (one(chosen)) nextPoint(one(chosen), by); },
    remove() { if (one(chosen)) remove(chosen); },
    leave() { const had = chosen !== null; if (had) { choose(null); refresh(); } return had; },
  },
});
const { far } = board;

const held = (drawing) => handles(drawing.points, far, APART, part - 1);
function nearest(spot, reach) { // the chosen drawing's point under the pointer; undefined if there is none
  const kept = one(chosen);
  if (!kept) return undefined;
  const away = (n) => far(kept.points[n], spot);
  const found = held(kept).reduce((best, n) => away(n) < away(best) ? n : best);
  return away(found) <= (kept.points.length > 3 ? Math.min(reach, 13) : reach) ? found : undefined; // else the whole
}
function moved(drawing, [across, below]) {
  const much = part ? shares(drawing.points.length, held(drawing), part - 1) : null;
  const points = drawing.points.map(([x, y], n) => [x + across * (much?.[n] ?? 1), y + below * (much?.[n] ?? 1)]);
  return points.every((point) => point.every((value) => value >= -0.5 && value <= 1.5)) ? { ...drawing, points } : drawing;
}

function nextPoint(kept, by) {
  const apart = kept.points.length > MANY ? APART : 0;
  const places = [0, ...handles(kept.points, far, apart, -1).map((n) => n + 1)]; // 0 is the whole
  const now = places.findLastIndex((place) => place <= part);
  const next = (now + by + places.length) % places.length;
  part = places[next];
  say(next ? `point ${next} of ${places.length - 1}` : "the whole drawing");
}
let nudged = null, nudging; // what the moved drawing was before the first of a row of key presses
function settleNudge() {
  clearTimeout(nudging);
  if (!nudged) return;
  const before = nudged, after = one(before.id);
  nudged = null;
  if (after) change(before.id, before, after);
}
board.svg.addEventListener("blur", settleNudge);

// --- the fields beside ---
for (const button of tools) button.addEventListener("change", () => { settleNudge(); if (tool() !== "change") chosen = null; board.chosen(); refresh(); });
document.querySelector(".tools").addEventListener("keydown", (e) => e.stopPropagation()); // arrow keys choose there
list.addEventListener("click", (e) => {
  const { pickDrawing, away } = e.target.closest("button")?.dataset ?? {};
  if (away) return remove(Number(away));
  if (!pickDrawing) return;
  settleNudge();
  tools.find((button) => button.value === "change").checked = true;
  board.chosen();
  choose(Number(pickDrawing));
  refresh();
});
form.addEventListener("submit", (e) => e.preventDefault());
fresh.addEventListener("submit", (e) => e.preventDefault());
fresh.addEventListener("change", board.draw);
form.addEventListener("change", (e) => {
  const before = one(chosen), fields = form.elements;
  if (!before) return;
  const after = { ...before, colour: fields.colour.value, width: Number(fields.width.value), text: fields.text.value.trim() };
  if (["first", "last"].includes(e.target.name)) {
    const first = fields.first.valueAsNumber - frames.first, last = fields.last.valueAsNumber - frames.first, end = frames.times.length - 2;
    if (!(first >= 0 && first <= last && last <= end)) {
      tell(`The frames of this clip are ${frames.first} to ${frames.first + end}, and the last cannot lie before the first.`);
      return fill();
    }
    if (e.target.name === "first") after.from_us = usAt(first); else after.until_us = usAt(last + 1);
    after.from = after.from_us / 1e6;
    after.until = after.until_us / 1e6;
  }
  change(chosen, before, after);
});
form.addEventListener("click", (e) => {
  const { here } = e.target.dataset;
  if (here) { form.elements[here].value = player.footageFrame(); form.elements[here].dispatchEvent(new Event("change", { bubbles: true })); }
  else if ("remove" in e.target.dataset) remove(chosen);
});
document.addEventListener("keydown", (e) => {
  if (!(e.ctrlKey || e.metaKey) || e.key.toLowerCase() !== "z" || e.target.matches("input:not([type=radio], [type=range]), textarea")) return;
  e.preventDefault();
  settleNudge();
  if (e.shiftKey) history.redo(); else history.undo();
});

place.addEventListener("frame", (e) => { frame = e.detail; board.draw(); });
Promise.all([player.ready, reload()]).then(([told]) => { frames = told; board.chosen(); refresh(); place.dataset.drawing = "ready"; },
  (wrong) => tell(`What is drawn here did not come. ${wrong.message} Load the page again before you draw.`));
