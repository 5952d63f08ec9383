// Two films in step. Time runs from the moment at which they are in step (0, in microseconds); each film shows the frame
// of that time, or holds its first or its last where it has none.
import { drawn } from "./draw_show.js";
import { film } from "./film.js";

const root = document.querySelector(".show");
const $ = (what) => root.querySelector(what);
const rows = JSON.parse(document.querySelector("#rows").textContent);
const seek = $("[data-seek]"), timeText = $("[data-time]");
const one = (what) => $(`[data-do="${what}"]`);
const speeds = [...root.querySelectorAll("[data-speed]")].map((b) => Number(b.dataset.speed));
const say = (text) => { $("[data-said]").textContent = text; };
const NEAR = 120_000; // microseconds of drift that a slightly other speed makes up for; beyond them one seeks

let offset = Number(root.dataset.offset), rate = 1, loop = true, time = 0, going = false;

const sides = [...root.querySelectorAll("[data-side]")].map((box, n) => {
  const video = box.querySelector("video");
  const side = { box, video, row: rows[n], anchor: box.querySelector("[data-step]"), frames: null, redraw: () => {} };
  side.film = film(video, side.row.frames, () => side.redraw());
  side.ready = side.film.ready.then((frames) => {
    side.frames = frames;
    side.end = frames.times.at(-1);
    side.frame = side.end / (frames.times.length - 1); // about how long one is shown
    side.redraw = drawn(video, side.row.drawings, frames, side.film.at);
    side.film.begin();
  });
  video.addEventListener("error", () => trouble());
  side.mirror = box.querySelector("[data-mirror]");
  side.mirror.addEventListener("click", () => mirror(side, !video.classList.contains("mirrored")));
  side.anchor.addEventListener("change", () => { lay(); go(0); });
  return side;
});
const [first, second] = sides;

// The moment of a film, in its own clip time, at which it is in step with the other.
const zero = (side) => Number(side.anchor.value) - (side === second ? offset * second.frame : 0);
const begin = () => Math.min(...sides.map((side) => -zero(side)));
const until = () => Math.max(...sides.map((side) => side.end - zero(side)));
const own = (side, at) => at + zero(side); // its own clip time
const inside = (side, at) => own(side, at) >= 0 && own(side, at) < side.end;

function frameOf(side, at) {
  const own_ = Math.min(Math.max(0, own(side, at)), side.end - 1);
  let low = 0, high = side.film.count() - 1;
  while (low < high) { const mid = (low + high + 1) >> 1; if (side.frames.times[mid] <= own_) low = mid; else high = mid - 1; }
  return low;
}
function told() {
  seek.value = Math.round(time / 1000);
  const text = `${time < 0 ? "−" : "+"}${Math.abs(time / 1e6).toFixed(2)} s`;
  if (timeText.textContent === text) return;
  timeText.textContent = text;
  seek.setAttribute("aria-valuetext", `${text} from the moment at which they are in step`);
}
function go(at) {
  time = Math.min(Math.max(begin(), at), until() - 1);
  for (const side of sides) { side.video.pause(); side.film.go(frameOf(side, time)); }
  told();
}
function lay() {
  seek.min = Math.ceil(begin() / 1000);
  seek.max = Math.floor(until() / 1000);
  $("[data-shifted]").textContent = offset ? `${Math.abs(offset)} ${Math.abs(offset) === 1 ? "frame" : "frames"} ${offset > 0 ? "later" : "earlier"}` : "in step";
  const form = $("[data-make]");
  if (form) form.elements.offset.value = offset;
  const address = new URL(location.href);
  offset ? address.searchParams.set("offset", offset) : address.searchParams.delete("offset");
  address.searchParams.delete("mirror");
  for (const side of sides) if (side.video.classList.contains("mirrored")) address.searchParams.append("mirror", side.box.dataset.side);
  history.replaceState(history.state, "", address);
}

// --- playing ---
let last = 0;
function run() {
  if (time >= until() - 2) time = begin();
  going = true;
  last = performance.now();
  pressed();
  requestAnimationFrame(tick);
}
function stop() {
  going = false;
  pressed();
  const lead = sides.find((side) => inside(side, time)) ?? first;
  if (inside(lead, time)) time = lead.frames.times[frameOf(lead, time)] - zero(lead); // a frame, not between two
  go(time);
}
function tick(now) {
  if (!going) return;
  const lead = sides.find((side) => !side.video.paused && !side.video.seeking && inside(side, time));
  const passed = (now - last) * 1000 * rate;
  last = now;
  // The film that runs says what time it is; where neither runs, the clock does.
  time = lead ? lead.video.currentTime * 1e6 - zero(lead) : time + passed;
  if (time >= until() - first.frame) {
    if (loop) { go(begin()); } else { time = until() - 1; return stop(); }
  }
  for (const side of sides) {
    const { video } = side;
    if (!inside(side, time)) { if (!video.paused) { video.pause(); side.film.go(frameOf(side, time)); } continue; }
    if (video.paused) { video.currentTime = own(side, time) / 1e6; video.playbackRate = rate; video.play().catch(() => {}); continue; }
    if (side === lead || video.seeking) { video.playbackRate = rate; continue; }
    const drift = video.currentTime * 1e6 - own(side, time);
    if (Math.abs(drift) > NEAR) video.currentTime = own(side, time) / 1e6;
    else video.playbackRate = rate * (1 - Math.max(-0.15, Math.min(0.15, drift / 400_000)));
  }
  told();
  requestAnimationFrame(tick);
}
function step(by) {
  if (going) stop();
  const lead = sides.find((side) => inside(side, time)) ?? first;
  const frame = frameOf(lead, time) + by;
  const there = lead.frames.times[Math.max(0, frame)];
  if (frame >= 0 && frame < lead.film.count()) go(there - zero(lead));
  else go(time + by * lead.frame);
}
function pressed() {
  one("play").classList.toggle("running", going);
  one("play").setAttribute("aria-label", going ? "Pause" : "Play");
}
function mirror(side, on) {
  side.video.classList.toggle("mirrored", on);
  side.mirror.setAttribute("aria-pressed", String(on));
  lay();
}
function speed(value) {
  rate = value;
  for (const side of sides) side.video.playbackRate = value;
  for (const button of root.querySelectorAll("[data-speed]")) button.setAttribute("aria-pressed", String(Number(button.dataset.speed) === rate));
  say(`${value} times speed`);
}
function shift(by) { if (going) stop(); offset += by; lay(); go(time); }
function trouble() {
  const note = $("[data-note]");
  note.textContent = "One of the clips cannot be shown now: the library does not answer, or the clip was cut anew or is gone. Load the page again.";
  note.hidden = false;
}

const acts = {
  play: () => (going ? stop() : run()),
  back: () => step(-1),
  forward: () => step(1),
  mirror: () => { const on = !sides.every((side) => side.video.classList.contains("mirrored")); for (const side of sides) mirror(side, on); say(on ? "both mirrored" : "both as filmed"); },
  loop: () => { loop = !loop; one("loop").setAttribute("aria-pressed", String(loop)); },
  full: () => { document.fullscreenElement ? document.exitFullscreen() : document.documentElement.requestFullscreen?.().catch(() => {}); },
  keys: () => { const help = $("#show-keys"); help.hidden = !help.hidden; one("keys").setAttribute("aria-expanded", String(!help.hidden)); },
  leave: () => { if (!$("#show-keys").hidden) acts.keys(); else location.assign($("[data-back]").href); },
};
root.addEventListener("click", (e) => {
  const button = e.target.closest("button");
  if (button && e.detail) button.blur(); // pressed by mouse or finger: the space bar stays with the film
  if (button?.dataset.do) acts[button.dataset.do]();
  else if (button?.dataset.speed) speed(Number(button.dataset.speed));
  else if (button?.dataset.shift) shift(Number(button.dataset.shift));
  else if (e.target.closest("video")) acts.play();
});
addEventListener("keydown", (e) => {
  const bracket = "[]".includes(e.key); // on some keyboards it needs AltGr, which some systems tell as Ctrl and Alt
  if (e.metaKey || ((e.ctrlKey || e.altKey) && !(bracket && e.altKey)) || e.target.matches("select")) return;
  const now = speeds.indexOf(rate);
  if (e.key === "ArrowLeft") step(e.shiftKey ? -10 : -1);
  else if (e.key === "ArrowRight") step(e.shiftKey ? 10 : 1);
  else if (e.key === "ArrowUp" || e.key === "ArrowDown") { const next = speeds[now + (e.key === "ArrowUp" ? 1 : -1)]; if (next) speed(next); }
  else if (e.key === " ") { if (e.target.closest("button:not([data-do=play]), a")) return; acts.play(); }
  else if (bracket) shift(e.key === "[" ? -1 : 1);
  else if (e.key === "1" || e.key === "2") sides[Number(e.key) - 1].mirror.click();
  else if (e.key === "m" || e.key === "M") acts.mirror();
  else if (e.key === "0") { if (going) stop(); go(0); }
  else if (e.key === "r" || e.key === "R") acts.loop();
  else if (e.key === "f" || e.key === "F") acts.full();
  else if (e.key === "?") acts.keys();
  else if (e.key === "Escape") acts.leave();
  else return;
  e.preventDefault();
});
seek.addEventListener("input", () => { if (going) { going = false; pressed(); } go(seek.valueAsNumber * 1000); });

await Promise.all(sides.map((side) => side.ready)).then(() => {
  for (const side of sides) if (root.dataset.mirror.split(" ").includes(side.box.dataset.side)) mirror(side, true);
  lay();
  speed(1);
  go(0);
  root.dataset.begun = "yes";
}, trouble);
