// Logging while the fight plays. Every line is sent when it is entered; what the server has answered is kept.
import * as library from "./ask.js";
import { Frames, clock, follow } from "./log_frames.js";
import { Offers, keysOfRows } from "./log_offers.js";
import { found, pace } from "./log_film.js";
import { strip } from "./log_strip.js";

const root = document.querySelector(".logging");
const known = JSON.parse(document.querySelector("#log-known").textContent);
const base = `/api/fights/${root.dataset.fight}`;
const by = root.dataset.by;
const fighters = [root.dataset.red, root.dataset.blue];
const $ = (what) => root.querySelector(what);
const video = $("video"), box = $("#entry"), list = $("#log-offers"), reading = $("#log-reading"), rows = $("[data-lines]");
const say = (what, text) => { $(what).textContent = text; };

const TRUSTED = 3; // letters from which typed text is taken at its word
// A digit takes its row in the empty box, unless digits are to be punches there (1-2), and right after a letter;
// elsewhere it is a gym's number for a punch.
const digits = $("[data-digits]");
const rowKeys = keysOfRows();
const keysNow = () => {
  if (box.value && !/\p{L}$/u.test(box.value)) return [];
  const fine = rowKeys.filter((one) => !box.value || !one.text);
  return box.value || digits.checked ? fine : fine.filter((one) => !one.digit);
};
digits.checked = localStorage.getItem("cliplib.digits") !== "punches";
digits.addEventListener("change", () => { localStorage.setItem("cliplib.digits", digits.checked ? "rows" : "punches"); draw(); toBox(); });
const offers = new Offers(known.offers, known.numbers, fighters, known.patterns);
let lines = [], next = { going_on: [], opening: [], until: null };
let shownRows = [], marked = 0, checked = null, checking = null, editing = null, resume = false, refused = "";
const undone = [];
const touch = matchMedia("(pointer: coarse)"); // no keyboard is asked for by what is tapped
const roomy = matchMedia("(min-width: 901px) and (pointer: fine)"); // where more than ten rows have room, and keys
const toBox = () => { if (!touch.matches) box.focus(); };
toBox();

// --- the server ---
async function ask(path, { method = "GET", body, query } = {}) {
  const address = base + path + (query ? `?${new URLSearchParams(query)}` : "");
  return library.ask(address, { method, key: root.dataset.key, json: body }).catch((problem) => {
    if (problem.status) throw problem;
    throw new Error("The library does not answer. What is logged so far is kept; this line is still in the box.");
  });
}

let queue = Promise.resolve(), unsaved = 0;
// One change after the other, in the order they were made.
function send(work) {
  unsaved++;
  say("[data-saved]", "saving…");
  const done = queue.then(work);
  queue = done.catch(() => {}).then(() => { unsaved--; if (!unsaved) say("[data-saved]", "all saved"); });
  return done;
}
addEventListener("beforeunload", (e) => { if (unsaved || box.value.trim()) e.preventDefault(); });

const frames = new Frames(await ask("/frames"));
const eye = follow(video, frames, (frame) => tick(frame));
const lane = strip($(".log-strip"), {
  frames,
  seek: (frame) => { video.pause(); eye.to(frame); },
  moved: (line, frame) => change(line, { frame }),
  chosen: (line) => { video.pause(); eye.to(line.frame); row(line.id)?.focus(); },
});

const whole = found($(".film-line"), $(".film"), { ask, by, frames, video, seek: (frame) => eye.to(frame), pause: () => video.pause(), listen: (on) => running.listen(on), changed: (told) => { known.rounds = told.rounds.map(([n, from]) => [n, from]); } });
const running = pace({ video, frames, seek: (frame) => eye.to(frame), told: whole.told, wishes: () => ({ skip: $("[data-skip]").checked, hurry: $("[data-hurry]").checked }) });
for (const name of ["skip", "hurry"]) {
  const tick = $(`[data-${name}]`);
  const kept = localStorage.getItem(`cliplib.${name}`);
  if (kept !== null) tick.checked = kept === "yes";
  tick.addEventListener("change", () => { localStorage.setItem(`cliplib.${name}`, tick.checked ? "yes" : "no"); running.speed(Number($("[data-speed]").value)); toBox(); });
}

// --- time ---
let wasGoingOn = null;
function tick(frame) {
  const seconds = frames.times[frame];
  say("[data-clock]", told(seconds));
  say("[data-frame]", `${clock(seconds, 2)} · frame ${frame}`);
  lane.pass(seconds);
  whole.pass(seconds);
  running.pass(seconds);
  const goingOn = next.until !== null && seconds <= next.until;
  if (goingOn !== wasGoingOn) { wasGoingOn = goingOn; rerank(); }
}
function told(seconds) { // the ringside clock
  const length = Number(root.dataset.round);
  const now = known.rounds.findLast(([, at]) => at <= seconds + 1e-9);
  if (!now || !length) return clock(seconds);
  const left = now[1] + length - seconds;
  return left >= 0 ? `R${now[0]}  ${clock(left)}` : `after R${now[0]}`;
}
function step(by) { video.pause(); eye.to(eye.shown() + by); }
function jump(seconds) { eye.to(frames.at(Math.max(0, frames.times[eye.shown()] + seconds))); }
const play = () => video.play().catch(() => {});
for (const name of ["play", "pause"]) video.addEventListener(name, () => {
  const button = $("[data-do=play]");
  button.setAttribute("aria-pressed", String(!video.paused));
  button.setAttribute("aria-label", video.paused ? "Play" : "Pause");
});

// --- offers ---
function rerank() {
  offers.rank(next, frames.times[eye.shown()]);
  draw();
}
function draw() {
  if (finger) { finger.late = true; return; } // no row moves under a finger
  const typed = box.value.trim();
  const keys = keysNow(), most = roomy.matches ? Math.max(10, keys.length) : 10;
  shownRows = offers.rows(typed, most);
  const own = checked?.text === typed ? typedRows(typed) : [];
  if (own.length) shownRows = [...own, ...shownRows.filter((r) => !own.some((o) => o.action === r.action && o.fighter === r.fighter))].slice(0, most);
  marked = Math.min(marked, Math.max(0, shownRows.length - 1));
  list.replaceChildren(...shownRows.map((one, i) => {
    const item = document.createElement("li");
    item.role = "option";
    item.id = `log-offer-${i}`;
    item.setAttribute("aria-selected", String(i === marked));
    const who = document.createElement("span");
    who.className = `log-who ${one.who === 1 ? "blue" : one.who === 0 ? "red" : ""}`;
    who.textContent = one.pattern ? "often:" : one.who === undefined ? "as typed" : offers.short[one.who];
    item.append(who, ` ${one.action}`);
    if (keys[i]) { item.dataset.digit = keys[i].label; item.dataset.key = keys[i].press; }
    if (i >= 10) item.className = "also";
    return item;
  }));
  if (shownRows.length) box.setAttribute("aria-activedescendant", `log-offer-${marked}`); else box.removeAttribute("aria-activedescendant");
}
// A row is taken when the finger or the button goes up on it, at the frame that was shown when it went down: a finger
// that scrolls takes nothing.
let finger = null;
list.addEventListener("pointerdown", (e) => {
  const row = e.target.closest("li");
  if (row && !e.button) finger = { row, frame: eye.shown(), late: false };
});
list.addEventListener("mousedown", (e) => e.preventDefault()); // the focus stays in the box
function lift() {
  if (!finger) return;
  const { late } = finger;
  finger = null;
  if (late) draw();
}
list.addEventListener("click", (e) => {
  const row = e.target.closest("li");
  const frame = finger?.row === row ? finger.frame : eye.shown();
  const picked = shownRows[[...list.children].indexOf(row)];
  lift();
  if (picked) enter({ row: picked, frame });
});
for (const end of ["pointerup", "pointercancel"]) addEventListener(end, (e) => setTimeout(lift, e.type === "pointerup" ? 60 : 0));
// What was typed, if it can be read: as it stands, or by either fighter if it does not say by whom.
function typedRows(typed) {
  if (checked.instead.length) { // short letters: the whole exchange in words, whoever begins
    const first = offers.rows("", 1)[0]?.who ?? 0;
    return [first, 1 - first].map((who) => ({ fighter: "", action: checked.instead[who] }));
  }
  if (typed.length < TRUSTED || checked.unread.length || !checked.actions.length) return [];
  if (checked.complete) {
    const who = fighters.indexOf(checked.by);
    return [{ fighter: checked.by, who: who < 0 ? undefined : who, action: typed }];
  }
  const likely = offers.rows(typed, 1)[0]?.who ?? offers.ranking[0]?.[0] ?? 0;
  return [likely, 1 - likely].map((who) => ({ fighter: fighters[who], who, action: typed }));
}
function mark(by) {
  marked = (marked + by + shownRows.length) % Math.max(1, shownRows.length);
  draw();
}

// --- how it is read ---
let wait;
function check() {
  clearTimeout(wait);
  const text = box.value.trim();
  if (text.length < TRUSTED) { checked = null; checking = null; reading.replaceChildren(); return; }
  checking = new Promise((done) => {
    wait = setTimeout(async () => {
      const answer = await ask("/check", { query: { text, fighter: editing?.fighter ?? "" } }).catch(() => null);
      if (answer && box.value.trim() === text) { checked = { ...answer, text, by: editing?.fighter ?? "" }; showReading(text); draw(); }
      done();
    }, 60);
  });
}
const capital = (text) => text[0].toUpperCase() + text.slice(1);
function showReading(text) {
  if (text === refused) return; // why it was not logged stays until something else is typed
  const parts = [];
  if (!checked.unread.length) parts.push("Read as ", checked.actions.map((a) => `${a.fighter ? `${a.fighter}: ` : ""}${a.said}`).join("; then ") || "nothing yet");
  else if (shownRows.length && !checked.because) return reading.replaceChildren(); // letters that narrow the list
  else {
    parts.push(checked.because ? `${capital(checked.because)}: ` : "Not understood: ");
    const letters = [...text];
    let at = 0;
    for (const u of checked.unread) {
      parts.push(letters.slice(at, u.start).join(""));
      const bad = document.createElement("mark");
      bad.textContent = letters.slice(u.start, u.end).join("");
      parts.push(bad);
      at = u.end;
    }
    parts.push(letters.slice(at).join(""));
    const meant = checked.because ? [] : checked.unread.flatMap((u) => u.meant).slice(0, 3);
    if (meant.length) parts.push(`. Did you mean ${meant.join(" or ")}?`);
  }
  reading.replaceChildren(...parts);
}

// --- lines ---
const order = () => lines.sort((a, b) => (a.time ?? -1) - (b.time ?? -1) || a.id - b.id);
const row = (id) => rows.querySelector(`[data-id="${id}"]`);
// A line that was typed out says who in its words: “Brandt jab” is Brandt's as much as one that was picked.
const told_by = (action) => fighters.findIndex((name, place) => [name, offers.short[place]].some((said) => action.toLowerCase().startsWith(`${said.toLowerCase()} `)));
function take(line) {
  const named = line.fighter ? fighters.indexOf(line.fighter) : -1;
  const place = named >= 0 ? named : told_by(line.action);
  const who = offers.short[place] ?? "";
  const names = named < 0 && place >= 0 ? [fighters[place], who].find((said) => line.action.toLowerCase().startsWith(said.toLowerCase())) : "";
  return { ...line, corner: ["red", "blue"][place] ?? "", who, words: line.action.slice(names.length).trim() };
}
function keep(line) {
  lines = [...lines.filter((l) => l.id !== line.id), take(line)];
  order();
  list_lines(line.id);
}
function list_lines(latest) {
  const focused = document.activeElement?.dataset?.id;
  rows.replaceChildren(...lines.map((line) => {
    const item = document.createElement("li");
    const button = document.createElement("button");
    button.type = "button";
    button.dataset.id = line.id;
    button.className = `log-line ${line.corner}`;
    const at = document.createElement("span");
    at.className = "log-at";
    at.textContent = line.time === null ? "–" : told(line.time);
    const who = document.createElement("span");
    who.className = "log-who " + line.corner;
    who.textContent = line.who;
    button.append(at, who, ` ${line.action ? line.words : line.note}`);
    if (!line.action) button.classList.add("later");
    if (line.problem) { const wrong = document.createElement("span"); wrong.className = "warn small"; wrong.textContent = ` ${line.problem}`; button.append(wrong); }
    button.addEventListener("click", () => { video.pause(); if (line.frame !== null) eye.to(line.frame); });
    const away = document.createElement("button");
    away.type = "button";
    away.className = "log-away";
    away.setAttribute("aria-label", `Remove ${line.who} ${line.action}`);
    away.textContent = "×";
    away.addEventListener("click", () => remove(line));
    item.append(button, away);
    return item;
  }));
  $("[data-empty]").hidden = lines.length > 0;
  lane.show(lines);
  if (focused) row(focused)?.focus({ preventScroll: true });
  else if (latest) showLine(row(latest));
}
// In the list's own window; the page stays where it is, so that the film does.
function showLine(line) {
  if (!line) return;
  const window_ = rows.getBoundingClientRect(), here = line.getBoundingClientRect();
  if (here.top < window_.top) rows.scrollTop -= window_.top - here.top;
  else if (here.bottom > window_.bottom) rows.scrollTop += here.bottom - window_.bottom;
}
function later(action) {
  undone.push(action);
  $("[data-do=undo]").disabled = false;
}
function fail(problem) { say("[data-saved]", ""); reading.textContent = problem.message; reading.classList.add("warn"); }

async function add(said, { undo = true } = {}) {
  const answer = await send(() => ask("/lines", { method: "POST", body: { by, ...said } }));
  next = answer.next;
  keep(answer.line);
  rerank();
  poll();
  if (undo) later(() => remove(answer.line, { undo: false }));
  return answer.line;
}
async function change(line, what, { undo = true } = {}) {
  const before = { frame: line.frame ?? undefined, action: line.action, fighter: line.fighter ?? "" };
  try {
    const answer = await send(() => ask(`/lines/${line.id}`, { method: "PATCH", body: { by, ...what } }));
    next = answer.next;
    keep(answer.line);
    rerank();
    poll();
    const back = Object.fromEntries(Object.keys(what).map((key) => [key, before[key]]));
    if (undo) later(() => change(answer.line, back, { undo: false }));
  } catch (problem) { fail(problem); list_lines(); }
}
async function remove(line, { undo = true, focus = true } = {}) {
  try {
    await send(() => ask(`/lines/${line.id}`, { method: "DELETE", query: { by } }));
    const place = lines.findIndex((l) => l.id === line.id);
    lines = lines.filter((l) => l.id !== line.id);
    list_lines();
    if (focus) (rows.querySelectorAll(".log-line")[Math.min(place, lines.length - 1)] ?? box).focus();
    if (undo) later(() => add({ frame: line.frame, action: line.action, fighter: line.fighter ?? "", note: line.note }, { undo: false }));
    await look();
    poll();
  } catch (problem) { fail(problem); }
}
async function undo() {
  const action = undone.pop();
  $("[data-do=undo]").disabled = !undone.length;
  if (action) { await Promise.resolve(action()).catch(fail); toBox(); }
}
async function look() { // what usually comes next, here
  next = await ask("/next", { query: { by, frame: eye.shown() } }).catch(() => next);
  rerank();
}

// --- entering ---
function clear() { box.value = refused = ""; marked = 0; checked = checking = editing = null; reading.replaceChildren(); reading.classList.remove("warn"); box.placeholder = ""; draw(); }
// `row`: what was picked, else what is marked; `frame`: the one on screen when the key or the finger went down.
async function enter({ row = null, frame = eye.shown() } = {}) {
  if (!row && box.value.trim().length >= TRUSTED && checking) await checking;
  const said = row ?? shownRows[marked];
  if (!said) { if (checked) showReading(box.value.trim()); return; }
  const text = box.value, was = editing, goOn = resume;
  clear();
  if (row) toBox(); else box.focus();
  resume = false;
  if (was) return change(was, { action: said.action, fighter: said.fighter });
  if (goOn) play();
  try { await add({ frame, action: said.action, fighter: said.fighter }); await clearMark(frame); }
  catch (problem) { video.pause(); eye.to(frame); if (!box.value) { box.value = text; refused = text.trim(); check(); } draw(); fail(problem); }
}
// Moments marked for later: “!” marks one, “?” goes to the next of them, and a line that is logged there takes the
// mark's place.
const LATER = "something here, look later", NEAR = 3; // seconds
const marksLeft = () => lines.filter((line) => !line.action && line.frame !== null);
function markLater() { add({ frame: eye.shown(), action: "", note: LATER }).catch(fail); }
let markAt = null; // id of the mark that was gone to last
function nextMark() {
  const all = marksLeft(), here = eye.shown();
  if (!all.length) { reading.textContent = "No moment is marked for later."; return; }
  const mark = all.find((line) => line.frame > here && line.id !== markAt) ?? all[0];
  markAt = mark.id;
  video.pause();
  eye.to(mark.frame);
  reading.textContent = `Marked for later: ${mark.note}. ${all.length === 1 ? "It is the only one." : `${all.length} are left.`}`;
}
async function clearMark(frame) {
  const mark = lines.find((line) => line.id === markAt && !line.action);
  if (mark && Math.abs(frames.times[mark.frame] - frames.times[frame]) <= NEAR) { markAt = null; await remove(mark, { focus: false }); }
}
function again() {
  const last = lines.filter((line) => line.action).reduce((a, b) => (!a || b.id > a.id ? b : a), null);
  if (last) add({ frame: eye.shown(), action: last.action, fighter: last.fighter ?? "" }).catch(fail);
}
function edit(line) {
  clear();
  editing = line;
  video.pause();
  if (line.frame !== null) eye.to(line.frame);
  box.value = line.action;
  box.focus();
  check();
}

box.addEventListener("input", () => {
  marked = 0;
  refused = "";
  reading.classList.remove("warn");
  if (box.value.trim() && !video.paused && $("[data-hold]").checked) { video.pause(); resume = true; }
  check();
  draw();
});
$(".log-entry").addEventListener("submit", (e) => { e.preventDefault(); enter(); });
box.addEventListener("keydown", (e) => {
  const empty = !box.value;
  const key = e.key;
  let pick;
  if (key === "ArrowDown") mark(1);
  else if (key === "ArrowUp") mark(-1);
  else if (key === "Escape") { clear(); if (resume) play(); resume = false; }
  else if ((pick = keysNow().findIndex((one) => one.is(e))) >= 0 && shownRows[pick]) { marked = pick; enter(); }
  else if (empty && key === " ") video.paused ? play() : video.pause();
  else if (empty && key === ".") again();
  else if (empty && key === "!") markLater();
  else if (empty && key === "?") nextMark();
  else if (empty && (e.ctrlKey || e.metaKey) && key.toLowerCase() === "z") undo();
  else if (empty && (key === "ArrowLeft" || key === "ArrowRight")) {
    const way = key === "ArrowLeft" ? -1 : 1;
    if (e.ctrlKey) { const last = lines.reduce((a, b) => (!a || b.id > a.id ? b : a), null); if (last?.frame != null) nudge(last, way); }
    else if (e.shiftKey) jump(way); else step(way);
  } else return;
  e.preventDefault();
});

// A line moved by keys: the picture follows at once, and it is sent when the keys rest.
let nudging = null;
function nudge(line, by) {
  if (nudging?.line.id !== line.id) settle();
  nudging ??= { line, frame: line.frame };
  nudging.frame = frames.clamp(nudging.frame + by);
  video.pause();
  eye.to(nudging.frame);
  clearTimeout(nudging.wait);
  nudging.wait = setTimeout(settle, 350);
}
function settle() {
  if (!nudging) return;
  clearTimeout(nudging.wait);
  const { line, frame } = nudging;
  nudging = null;
  if (frame !== line.frame) change(line, { frame });
}
rows.addEventListener("keydown", (e) => {
  const line = lines.find((l) => String(l.id) === e.target.dataset.id);
  if (!line) return;
  const all = [...rows.querySelectorAll(".log-line")];
  if (e.key === "ArrowLeft" || e.key === "ArrowRight") { if (line.frame !== null) nudge(line, (e.key === "ArrowLeft" ? -1 : 1) * (e.shiftKey ? 10 : 1)); }
  else if (e.key === "ArrowUp" || e.key === "ArrowDown") all[all.indexOf(e.target) + (e.key === "ArrowUp" ? -1 : 1)]?.focus();
  else if (e.key === "Delete" || e.key === "Backspace") remove(line);
  else if (e.key === "Enter") edit(line);
  else return;
  e.preventDefault();
});

root.addEventListener("keydown", (e) => {
  if (e.key !== "F2") return;
  e.preventDefault();
  if (document.activeElement === box) whole.focus(); else box.focus();
});
root.addEventListener("click", (e) => {
  const what = e.target.closest("[data-do]")?.dataset.do;
  if (what === "play") video.paused ? play() : video.pause();
  else if (what === "back") step(-1);
  else if (what === "on") step(1);
  else if (what === "undo") undo();
  else if (what === "done") ask("/cut", { method: "POST" }).then(poll).catch(fail);
});
video.addEventListener("click", () => { video.paused ? play() : video.pause(); toBox(); });
$("[data-speed]").addEventListener("change", (e) => { running.speed(Number(e.target.value)); toBox(); });
$("[data-round-jump]")?.addEventListener("change", (e) => { if (e.target.value) eye.to(frames.near(Number(e.target.value))); toBox(); });

$("[data-bell]")?.addEventListener("submit", (e) => { e.target.elements.frame.value = eye.shown(); });

// --- clips ---
let polling;
async function poll() {
  clearTimeout(polling);
  const told = await ask("/lines", { query: { by } }).catch(() => null);
  if (!told) return;
  say("[data-waiting]", told.waiting ? `${told.waiting} ${told.waiting === 1 ? "clip waits" : "clips wait"} to be cut; they are cut after a pause.` : lines.length ? "All clips are cut." : "");
  if (told.waiting) polling = setTimeout(poll, 3000);
}

({ lines } = await ask("/lines", { query: { by } }));
lines = lines.map(take);
order();
list_lines();
const last = lines.findLast((line) => line.frame !== null);
if (last) eye.to(last.frame); // go on where one stopped
else if (known.rounds.length) eye.to(frames.near(known.rounds[0][1])); // nothing is logged before the first bell
await ask("/next", { query: { by, frame: last?.frame ?? 0 } }).then((told) => { next = told; }).catch(() => {});
rerank();
poll();
await whole.load().catch(fail);
root.dataset.begun = "yes";
