// One clip after the other, filling the screen. The clips beside the one that is shown are fetched ahead, each with a
// film of its own, so that the next one stands on its first frame before anybody asks for it.
import { ask } from "./ask.js";
import { drawn } from "./draw_show.js";
import { film } from "./film.js";
import { keep, kept } from "./kept.js";

const root = document.querySelector(".show");
const $ = (what) => root.querySelector(what);
const films = $("[data-films]"), seek = $("[data-seek]"), note = $("[data-note]");
const one = (what) => $(`[data-do="${what}"]`);
const speeds = [...root.querySelectorAll("[data-speed]")].map((b) => Number(b.dataset.speed));
const rows = new Map(); // place -> what the library says of the clip
const slots = new Map(); // place -> a film
const opened = new Map(); // clip -> how often its film was opened here
let at = Number(root.dataset.at), total = Number(root.dataset.total);
let looking = kept({ loop: true });
let running = true; // somebody wants it to play

const say = (text) => { $("[data-said]").textContent = text; };
const take = (first, list) => list.forEach((row, n) => rows.set(first + n, row));
take(Number(root.dataset.first), JSON.parse(document.querySelector("#rows").textContent));

// --- the list ---
let asking = null; // one request at a time: what it brings may hold the next place, too
async function known(place) {
  while (asking && !rows.has(place)) await asking.catch(() => {});
  if (rows.has(place)) return rows.get(place);
  const first = Math.max(0, place - 4);
  asking = ask(`${root.dataset.more}${root.dataset.more.includes("?") ? "&" : "?"}from=${first}&n=12`)
    .then((told) => { take(told.first, told.rows); total = told.total; $("[data-total]").textContent = total; })
    .finally(() => { asking = null; });
  await asking;
  return rows.get(place);
}

// --- films ---
function open(place, row) {
  const place_ = document.createElement("div");
  place_.className = "show-film";
  place_.setAttribute("aria-hidden", "true"); // until it is the one that is shown
  const video = document.createElement("video");
  Object.assign(video, { playsInline: true, preload: "auto", muted: !looking.sound, disablePictureInPicture: true });
  video.setAttribute("aria-label", `Clip ${row.id}`);
  place_.append(video);
  films.append(place_);
  const slot = { place, row, video, box: place_, frames: null, redraw: () => {} };
  slot.film = film(video, row.frames, (frame) => { slot.redraw(); if (slot === slots.get(at)) follow(slot, frame); });
  video.addEventListener("error", () => { slot.broken = true; if (slot === slots.get(at)) trouble(slot); });
  for (const sign of ["play", "pause"]) video.addEventListener(sign, () => { if (slot === slots.get(at)) pressed(); });
  video.addEventListener("ended", () => { if (slot === slots.get(at) && !slot.film.loops()) running = false; });
  slot.ready = slot.film.ready.then((frames) => {
    slot.frames = frames;
    slot.redraw = drawn(video, row.drawings, frames, slot.film.at);
    slot.film.begin();
    apply(slot);
    if (slot === slots.get(at)) shown(slot);
  }, () => { slot.broken = true; if (slot === slots.get(at)) trouble(slot); });
  // A browser may keep film by its address for minutes without asking; a clip that was cut anew is another film.
  const times = (opened.get(row.id) ?? 0) + 1;
  opened.set(row.id, times);
  video.src = times > 1 ? `${row.video}?opened=${times}` : row.video;
  slots.set(place, slot);
  return slot;
}
function close(slot) {
  slots.delete(slot.place);
  slot.film.close();
  slot.box.remove();
}
function apply(slot) {
  slot.video.playbackRate = slot.video.defaultPlaybackRate = looking.speed;
  slot.video.classList.toggle("mirrored", looking.mirror);
  slot.video.muted = !looking.sound;
  slot.film.repeat(looking.loop);
}

// --- what is shown ---
let wanted = at;
async function go(place) {
  if (!total) return;
  wanted = Math.min(Math.max(0, place), total - 1);
  const mine = wanted;
  let row;
  try { row = await known(mine); } catch { return tell("The library does not answer. What is here goes on; try again when it is back.", () => go(mine)); }
  if (mine !== wanted) return;
  if (!row) return tell("The list has changed: there is nothing at this place any more.", () => location.reload());
  const before = slots.get(at);
  at = mine;
  if (before && before.place !== at) { before.video.pause(); before.box.classList.remove("on"); before.box.setAttribute("aria-hidden", "true"); before.film.go(0); }
  $("[data-place]").textContent = at + 1;
  $("[data-from]").textContent = row.from;
  $("[data-back]").href = row.back;
  one("previous").disabled = at === 0;
  one("next").disabled = at === total - 1;
  words(row);
  say(`${at + 1} of ${total}: ${row.from}`);
  const address = new URL(location.href);
  address.searchParams.set("at", at);
  history.replaceState(history.state, "", address);
  note.hidden = true;
  if (!row.video) tell("There is no film of this one: it has no footage yet, or is not cut.");
  else {
    const slot = slots.get(at) ?? open(at, row);
    slot.box.classList.add("on");
    slot.box.removeAttribute("aria-hidden");
    if (slot.broken) trouble(slot); else if (slot.frames) shown(slot);
  }
  ahead();
}
function shown(slot) {
  apply(slot);
  seek.max = slot.film.count() - 1;
  follow(slot, slot.film.at());
  press();
  if (running) start(slot); else pressed();
}
// A page that was opened by itself may play, but not with sound.
function start(slot) {
  slot.video.play().catch((problem) => {
    const refused = problem.name === "NotAllowedError"; // and not stopped by somebody's step
    if (!refused || !running || slot !== slots.get(at) || slot.video.muted) return pressed();
    slot.video.muted = true;
    one("sound").setAttribute("aria-pressed", "false");
    return slot.video.play().catch(pressed);
  });
}
async function ahead() {
  const mine = at;
  for (const place of [mine + 1, mine - 1]) {
    if (place < 0 || place >= total) continue;
    const row = await known(place).catch(() => null);
    if (mine !== at) return;
    if (row?.video && !slots.has(place)) open(place, row);
  }
  for (const slot of [...slots.values()]) if (Math.abs(slot.place - at) > 1) close(slot);
}
function words(row) {
  $("[data-what]").replaceChildren(...row.actions.flatMap((action, n) => {
    const text = document.createElement(action.matched ? "b" : "span");
    text.textContent = action.text;
    return n ? [" · ", text] : [text];
  }));
}
function follow(slot, frame) {
  seek.value = frame;
  seek.setAttribute("aria-valuetext", `frame ${slot.frames.first + frame}, ${slot.frames.clocks[frame] ?? "between rounds"}`);
}
function tell(text, again = null) {
  note.replaceChildren(text);
  if (again) {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = "Try again";
    button.addEventListener("click", again);
    note.append(button);
  }
  note.hidden = false;
}
function trouble(slot) {
  tell("This clip cannot be shown now: the library does not answer, or the clip was cut anew or is gone.", () => { close(slot); rows.delete(slot.place); go(slot.place); });
}
addEventListener("online", () => { const slot = slots.get(at); if (slot?.broken) { close(slot); go(at); } });

// --- controls ---
const now = () => slots.get(at);
function pressed() {
  const video = now()?.video;
  const on = Boolean(video && !video.paused);
  one("play").classList.toggle("running", on);
  one("play").setAttribute("aria-label", on ? "Pause" : "Play");
}
function press() {
  for (const button of root.querySelectorAll("[data-speed]")) button.setAttribute("aria-pressed", String(Number(button.dataset.speed) === looking.speed));
  for (const [what, on] of [["mirror", looking.mirror], ["loop", looking.loop], ["sound", looking.sound]]) one(what).setAttribute("aria-pressed", String(on));
}
function look(what, text) {
  looking = { ...looking, ...what };
  keep(looking);
  for (const slot of slots.values()) apply(slot);
  press();
  say(text);
}
function step(by) { running = false; now()?.film.step(by); }
const acts = {
  next: () => go(wanted + 1),
  previous: () => go(wanted - 1),
  first: () => go(0),
  last: () => go(total - 1),
  back: () => step(-1),
  forward: () => step(1),
  play: () => { const slot = now(); if (!slot?.frames) return; running = slot.video.paused; if (running) slot.film.play().catch(() => pressed()); else slot.video.pause(); },
  mirror: () => look({ mirror: !looking.mirror }, looking.mirror ? "as filmed" : "mirrored"),
  loop: () => look({ loop: !looking.loop }, looking.loop ? "played once" : "repeated"),
  sound: () => look({ sound: !looking.sound }, looking.sound ? "without sound" : "with sound"),
  full: () => { document.fullscreenElement ? document.exitFullscreen() : document.documentElement.requestFullscreen?.().catch(() => {}); },
  keys: () => { const help = $("#show-keys"); help.hidden = !help.hidden; one("keys").setAttribute("aria-expanded", String(!help.hidden)); },
  leave: () => { if (!$("#show-keys").hidden) acts.keys(); else location.assign($("[data-back]").href); },
};
function speed(value) { look({ speed: value }, `${value} times speed`); }
function faster(by) {
  const here = speeds.indexOf(looking.speed);
  const next = here < 0 ? speeds.at(-1) : speeds[here + by];
  if (next) speed(next);
}
root.addEventListener("click", (e) => {
  const button = e.target.closest("button");
  if (button && e.detail) button.blur(); // pressed by mouse or finger: the space bar stays with the film
  if (button?.dataset.do) acts[button.dataset.do]();
  else if (button?.dataset.speed) speed(Number(button.dataset.speed));
});
seek.addEventListener("input", () => { running = false; now()?.video.pause(); now()?.film.go(seek.valueAsNumber); });

const keys = {
  PageDown: "next", PageUp: "previous", n: "next", p: "previous", Home: "first", End: "last", ".": "play", b: "play",
  m: "mirror", r: "loop", s: "sound", f: "full", "?": "keys", Escape: "leave",
};
addEventListener("keydown", (e) => {
  if (e.ctrlKey || e.metaKey || e.altKey) return;
  const key = e.key.length === 1 ? e.key.toLowerCase() : e.key;
  if (e.key === "ArrowLeft") step(e.shiftKey ? -10 : -1);
  else if (e.key === "ArrowRight") step(e.shiftKey ? 10 : 1);
  else if (e.key === "ArrowUp") faster(1);
  else if (e.key === "ArrowDown") faster(-1);
  else if (key === " ") { if (e.target.closest("button:not([data-do=play]), a")) return; acts.play(); }
  else if (/^[1-9]$/.test(key)) {
    const times = now()?.row.actions.map((a) => a.at).filter((time) => time !== null && time >= 0) ?? [];
    const time = times[Number(key) - 1];
    if (time === undefined || !now().frames) return;
    running = false;
    now().video.pause();
    now().film.go(now().film.frameAt(time / 1e6));
  } else if (keys[key]) acts[keys[key]]();
  else return;
  e.preventDefault();
});

// A tap stops and goes on; a swipe goes to the next clip or back.
let finger = null;
films.addEventListener("pointerdown", (e) => { if (!e.button) finger = { x: e.clientX, y: e.clientY, id: e.pointerId }; });
films.addEventListener("pointerup", (e) => {
  if (finger?.id !== e.pointerId || e.target.closest("button, a")) return;
  const x = e.clientX - finger.x, y = e.clientY - finger.y;
  finger = null;
  if (Math.abs(x) > 50 && Math.abs(x) > 2 * Math.abs(y)) acts[x < 0 ? "next" : "previous"]();
  else if (Math.hypot(x, y) < 10) acts.play();
});
films.addEventListener("pointercancel", () => { finger = null; });

press();
await go(at);
root.dataset.begun = "yes";
