// The page on which somebody talks over the shots of a point: player, drawings, recording, takes.
import * as library from "./ask.js";
import { boardOver, partOf } from "./board.js";
import { picture } from "./draw_shapes.js";
import { stage } from "./player.js";
import { sendFile } from "./sending.js";
import { second } from "./talk_beside.js";
import { cannot, microphone } from "./talk_microphone.js";
import { pictureLog } from "./talk_picture.js";
import { playback, readTake } from "./talk_play.js";
import { sender } from "./talk_send.js";

const root = document.querySelector(".talk"), place = root.querySelector(".stage");
const find = (what) => root.querySelector(what);
const video = place.querySelector("video"), still = find("[data-still]"), missing = find("[data-missing]");
const screens = [...root.querySelectorAll(".screen")];
const twin = screens[1].querySelector("video"); // the second of two clips
const player = stage(place, { keeping: false }), other = second(twin, video, () => { if (pair() && video.paused) log.changed(); });
const { apiShots, apiTakes: takes } = root.dataset;
const HOUR_S = 3600, LONGEST_S = 4 * 3600, ASLEEP_MS = 10_000, MOST_PIECE = 900_000;

let shots = [], shot = 0, arriving = null; // place in `shots`; the place that is being loaded
let before = false; // what the player paints is still of the shot before
let drawings = [], region = null, counted = 0; // what is drawn: { name, pane, values }
let tool = "";

const time = (us) => { const s = Math.floor(us / 1e6); return `${Math.floor(s / 60)}:${String(s % 60).padStart(2, "0")}`; };
const problem = (text = "") => { const place = find("[data-problem]"); place.textContent = text; place.hidden = !text; };
const write = (node, text) => { const other = node.textContent !== text; if (other) node.textContent = text; return other; };
const how = (text) => { find("[data-how]").textContent = text; };
const ask = (address, method = "GET", json = undefined) => library.ask(address, { method, key: root.dataset.key, json });

// --- what is on the picture ---
const pair = () => shots[shot]?.panes.length === 2;
const follow = () => { if (pair()) other.follow(player.frames(), player.frame()); };
const mirrored = (one) => one.classList.contains("mirrored");
function mirror() {
  if (!pair()) return mirrored(video) ? "first" : "none";
  return mirrored(video) ? (mirrored(twin) ? "both" : "first") : mirrored(twin) ? "second" : "none";
}
const log = pictureLog(() => ({
  shot, mirror: mirror(), region, drawings: drawings.map((one) => one.name), other: pair() ? other.frame() : null,
  speed: video.paused || shots[shot]?.still || arriving !== null ? 0 : video.playbackRate,
}));
place.addEventListener("painted", (e) => {
  if (!before && !shots[shot]?.still) log.painted(e.detail);
  follow();
});
for (const sign of ["pause", "ratechange"]) video.addEventListener(sign, () => log.changed());
for (const sign of ["play", "pause"]) video.addEventListener(sign, follow);

const boards = [video, twin].map((one, pane) => boardOver(one, {
  tool: () => tool,
  style: () => ({ colour: find("[data-colour]").value, width: 0.006 }),
  say: how,
  parts: ({ at }) => drawings.filter((drawing) => drawing.pane === pane).map((drawing) => picture({ text: "", ...drawing.values }, at, one.videoHeight)),
  made(kind, points) {
    if (kind === "zoom") return look(partOf(points), drawings, () => choose(""));
    const text = find("[data-words]").value.trim();
    const values = { kind, points, colour: find("[data-colour]").value, width: 0.006, ...(text ? { text } : {}) };
    const drawing = { name: `d${counted += 1}`, pane, values };
    log.drawing(drawing.name, pane, values);
    look(region, [...drawings, drawing]);
  },
}));
function look(part, drawn, after = () => {}) {
  [region, drawings] = [part, drawn];
  for (const one of boards) one.zoom(region);
  find("[data-clear]").disabled = !drawings.length;
  find("[data-unzoom]").hidden = !region;
  log.changed();
  after();
}
function choose(kind) {
  tool = tool === kind ? "" : kind;
  how("");
  for (const button of root.querySelectorAll("[data-tool]")) button.setAttribute("aria-pressed", String(button.dataset.tool === tool));
  for (const one of boards) one.chosen();
}
function turn(which) {
  video.classList.toggle("mirrored", ["both", "first"].includes(which));
  twin.classList.toggle("mirrored", ["both", "second"].includes(which));
  place.querySelector("[data-do=mirror]").setAttribute("aria-pressed", String(mirrored(video)));
}
let turning = false;
new MutationObserver(() => {
  if (!turning && pair()) twin.classList.toggle("mirrored", mirrored(video));
  log.changed();
}).observe(video, { attributeFilter: ["class"] });
for (const one of [video, twin]) {
  one.addEventListener("loadedmetadata", () => { one.closest(".screen").style.aspectRatio = `${one.videoWidth} / ${one.videoHeight}`; });
}

// --- shots ---
const known = new Map();
const framesOf = (pane) => {
  if (!known.has(pane.frames)) {
    known.set(pane.frames, ask(pane.frames));
    known.get(pane.frames).catch(() => known.delete(pane.frames)); // asked anew the next time
  }
  return known.get(pane.frames);
};
function row() {
  find("[data-shots]").replaceChildren(...shots.map((one, n) => {
    const item = document.createElement("li"), button = Object.assign(document.createElement("button"), { type: "button" });
    button.dataset.shot = n;
    const poster = one.still ?? one.panes[0]?.poster;
    if (poster) button.append(Object.assign(document.createElement("img"), { src: poster, alt: "", loading: "lazy" }));
    button.append(`${n + 1} ${one.label}`);
    item.append(button);
    return item;
  }));
  current();
}
// In its row; the page stays where it is.
function inView(button) {
  const row = find("[data-shots]"), { left, right } = button.getBoundingClientRect(), edges = row.getBoundingClientRect();
  row.scrollLeft += Math.min(0, left - edges.left) + Math.max(0, right - edges.right);
}
function current() {
  for (const button of root.querySelectorAll("[data-shot]")) {
    if (Number(button.dataset.shot) === shot) { button.setAttribute("aria-current", "true"); inView(button); } else button.removeAttribute("aria-current");
  }
}
async function go(n) {
  if (!shots[n]) return;
  const one = shots[n];
  [shot, arriving, before] = [n, n, true];
  delete root.dataset.shown;
  video.pause();
  if (one.panes.length < 2) twin.pause(); // nobody sees it
  log.leave();
  look(null, []);
  current();
  turning = true;
  turn(one.mirror);
  const shown = !one.still && one.panes.length;
  screens[0].hidden = !shown;
  screens[1].hidden = !shown || one.panes.length < 2;
  still.hidden = !one.still;
  place.classList.toggle("no-film", !shown);
  how("");
  missing.hidden = !one.problem;
  missing.textContent = one.problem;
  const here = () => arriving === n && shots[n] === one;
  try {
    if (one.still) {
      still.alt = one.label;
      if (!still.src.endsWith(one.still)) still.src = one.still;
      await still.decode();
      if (here()) { arriving = null; log.painted({ frame: 0, media: 0, at: performance.now() }); }
    } else if (one.panes.length) {
      const told = await Promise.all(one.panes.map(framesOf));
      if (!here()) return;
      before = false;
      if (!(await player.change(told[0], one.panes[0].video)) || !here()) return;
      arriving = null;
      if (pair()) other.change(one.panes[1], told[1], told[0], one.panes[0].meet, one.offset).catch((wrong) => problem(wrong.message));
      place.querySelector(".seek").setAttribute("aria-label", `Frame of shot ${n + 1}`);
    } else arriving = null;
  } catch (wrong) {
    if (here()) { arriving = null; problem(one.still ? `The chart “${one.label}” cannot be drawn.` : wrong.message); }
  } finally { if (arriving === null) { turning = false; root.dataset.shown = String(shot); } }
}
const same = (a, b) => JSON.stringify(a.map((one) => [one.panes, one.label])) === JSON.stringify(b.map((one) => [one.panes, one.label]));
async function use(list, at = 0) {
  if (same(list, shots)) { shots = list; return; }
  shots = list;
  row();
  await go(Math.min(at, Math.max(0, shots.length - 1)));
}

// --- recording ---
const clock = find("[data-take-clock]"), level = find("[data-level]");
const out = sender(root.dataset.key, sending);
let state = "idle", now = null; // of the recording that runs: { take, at, zero, number, pieces, lines, stored }
let mic = null, take = "", length = 0; // the take that is recorded into, and how long it is, microseconds
let awakeAt = 0, awakeOn = 0, quiet = 0, hour = false; // hour: it was said that the take is as long
let voices = []; // recordings that are not stored whole: of each all its sound, in blobs, and its kind

function to(next) {
  state = next;
  root.dataset.state = next;
  find("[data-record-words]").textContent = { idle: "Record", asking: "One moment…", recording: "Pause", paused: "Go on" }[next];
  find("[data-record]").disabled = next === "asking";
  find("[data-end]").hidden = !["recording", "paused"].includes(next);
  find("[data-again]").disabled = next !== "idle";
}
// Read aloud when the words change; how much is stored changes all the time, and is only shown.
function say(text, stored = "") {
  write(find("[data-record-status]"), text);
  write(find("[data-record-stored]"), stored);
}
function sending() {
  if (out.refused()) {
    if (state === "recording") stop("idle"); // tells when it has ended
    else if (state === "paused") to("idle");
    find("[data-save]").hidden = false;
    problem(`The library did not take what was recorded: ${out.refused()} What was stored before is kept. Save the sound as a file; then you can record anew.`);
  } else if (out.trouble()) {
    say(`${out.trouble()} ${state === "recording" ? "The recording goes on. " : ""}What is not stored yet is kept in this page and sent later: keep it open.`, `${out.waiting()} pieces, ${Math.ceil(out.bytes() / 1000)} kB.`);
  } else if (!out.waiting() && state === "idle" && now) finished();
}
function put(job) { out.add(job); }
function send(what, body, done) {
  const into = now;
  put({ address: () => `${takes}/${into.take}/recordings/${into.number}/${what}`, body: JSON.stringify(body), kind: "application/json", done });
}
function flush() {
  let lines = log.take();
  while (lines.length) {
    let count = 0;
    for (let size = 0; count < lines.length && count < 2000 && (size += JSON.stringify(lines[count]).length) < 500_000;) count += 1;
    const some = lines.slice(0, Math.max(1, count));
    send("picture", { first: now.lines, lines: some });
    now.lines += some.length;
    lines = lines.slice(some.length);
  }
}
function piece(blob) {
  const into = now;
  if (!into) return;
  const at = Math.round((performance.now() - into.zero) * 1000);
  into.blobs.push(blob);
  for (let from = 0; from < blob.size; from += MOST_PIECE) {
    const number = into.pieces;
    into.pieces += 1;
    put({
      address: () => `${takes}/${into.take}/recordings/${into.number}/sound?piece=${number}&clock=${at}`,
      body: blob.slice(from, from + MOST_PIECE), kind: "application/octet-stream", sound: true,
      done: () => { into.stored = at; },
    });
  }
  flush();
  awake();
}
// A machine that slept wakes up with another time: what was recorded ends where it fell asleep.
function awake() {
  if (state !== "recording") return;
  if (Date.now() - awakeOn > ASLEEP_MS) {
    stop("paused", awakeAt);
    problem("This machine slept, or stood still, for a while. The recording was paused where that began; press Go on when you are ready.");
    return;
  }
  [awakeAt, awakeOn] = [performance.now(), Date.now()];
}
function loud(peak, muted) {
  level.value = Math.min(1, Math.sqrt(peak));
  quiet = peak > 0.001 ? 0 : quiet + 1;
  if (state === "recording" && !out.trouble() && !out.refused()) {
    const name = mic?.name ? ` from ${mic.name}` : "";
    if (muted || quiet > 30) say("Nothing is heard: is the microphone switched off?");
    else say(`Recording${name}.`, `Stored up to ${time(now.at + (now.stored ?? 0))}.`);
  }
}

// The keys belong to the film from here on.
function hold() { place.querySelector("[data-do=play]").focus({ preventScroll: true }); }

async function record(into, at) {
  if (state !== "idle" && state !== "paused") return;
  if (out.refused()) return sending(); // its sound first
  const was = state, why = cannot();
  if (why) return problem(why);
  problem();
  find("[data-save]").hidden = true;
  heard.stop();
  to("asking");
  say("The browser may ask whether this page may use the microphone.");
  try {
    mic = await microphone({ piece, level: loud, lost: (words) => { if (state === "recording") { stop("paused"); problem(`${words} What was recorded until then is stored. Press Go on with another microphone, or end the take.`); } } });
    if (!into) {
      into = (await ask(takes, "POST", {})).take;
      await use((await ask(`${takes}/${into}`)).shots, shot);
      length = 0;
    }
    video.muted = true; // or the microphone hears the film
    place.querySelector("[data-do=sound]").setAttribute("aria-pressed", "false");
    take = into;
    if (!out.waiting()) voices = []; // all of them are stored, or saved as files
    now = { take, at, zero: 0, number: null, pieces: 0, lines: 0, stored: null, blobs: [], kind: mic.kind };
    voices.push(now);
    const zero = mic.begin(), mine = now;
    mine.zero = zero;
    put({
      address: () => `${takes}/${mine.take}/recordings`, kind: "application/json",
      body: JSON.stringify({ at, kind: mic.kind, sound_begins: 0 }), done: (told) => { mine.number = told.recording; },
    });
    log.begin(zero);
    for (const one of drawings) log.drawing(one.name, one.pane, one.values);
    log.first();
    [awakeAt, awakeOn, quiet, hour] = [performance.now(), Date.now(), 0, at / 1e6 > HOUR_S];
    to("recording");
    hold();
  } catch (wrong) {
    await mic?.end().catch(() => {});
    mic = null;
    to(was);
    say("");
    problem(wrong.message);
  }
}
async function stop(next, at = performance.now()) {
  if (state !== "recording") return;
  const ended = mic, mine = now;
  mic = null;
  log.changed();
  log.end();
  length = Math.round(mine.at + (at - mine.zero) * 1000);
  to("asking");
  await ended.end().catch(() => {});
  flush();
  send("end", { length: Math.max(0, Math.round((at - mine.zero) * 1000)) }, () => { voices = voices.filter((one) => one !== mine); });
  level.value = 0;
  say(next === "paused" ? "Paused. Go on where you stopped, or end the take." : "");
  to(next);
  clock.textContent = time(length);
  sending();
}
async function finished() { // all of it is in the library
  const name = now.take;
  now = null;
  say(`Take ${name} is stored.`);
  await list();
  await open(name);
}
find("[data-record]").addEventListener("click", () => {
  if (state === "recording") stop("paused");
  else if (state === "paused") record(take, length);
  else record("", 0);
});
find("[data-end]").addEventListener("click", async () => {
  if (state === "recording") await stop("idle");
  else if (state === "paused") { to("idle"); sending(); }
});
find("[data-save-sound]").addEventListener("click", () => {
  const ending = (kind) => Object.entries({ mp4: "m4a", ogg: "ogg" }).find(([sign]) => kind.includes(sign))?.[1] ?? "webm";
  const some = voices.filter((one) => one.blobs.length);
  some.forEach((one, n) => {
    const download = `take-${one.take}${some.length > 1 ? `-part-${n + 1}` : ""}.${ending(one.kind)}`;
    Object.assign(document.createElement("a"), { href: URL.createObjectURL(new Blob(one.blobs)), download }).click();
  });
  now = null;
  out.drop();
  problem();
  say(`The browser was given the sound as ${some.length === 1 ? "a file" : `${some.length} files`}. See that it is there, or press again; then you can record anew, or bring it as a sound file.`);
});
setInterval(() => {
  if (state !== "recording") return;
  awake();
  if (state !== "recording") return;
  const seconds = (now.at / 1e6) + (performance.now() - now.zero) / 1000;
  write(clock, time(seconds * 1e6));
  if (seconds > HOUR_S && !hour) { hour = true; problem("This take is an hour long. All of it is stored; a film is easier to mend if each point has a short take of its own."); }
  if (seconds > LONGEST_S - 5) { stop("idle"); problem("A take lasts four hours at most; this one was ended and is stored."); }
}, 250);
document.addEventListener("visibilitychange", () => { if (document.hidden && state === "recording") video.pause(); }); // nobody sees it
addEventListener("beforeunload", (e) => { if (["recording", "paused"].includes(state) || out.waiting()) { e.preventDefault(); e.returnValue = true; } });
if (cannot()) problem(cannot());

// --- takes ---
const seek = find("[data-heard-seek]");
let shown = -1; // the place in `shots` that playing back has asked for
const heard = playback({
  address: (name) => `${takes}/${name}`,
  told(t, playing) {
    const taken = heard.take(), clock = `${time(t)} of ${time(taken.length)}`, play = find("[data-heard-play]");
    seek.max = Math.max(1, Math.floor(taken.length / 1000));
    seek.value = t / 1000;
    if (write(find("[data-heard-clock]"), clock)) seek.setAttribute("aria-valuetext", clock);
    if (write(play, playing ? "Stop" : "Play the take")) play.setAttribute("aria-pressed", String(playing));
    write(find("[data-again]"), t >= taken.length ? "Go on from the end" : "Again from here");
  },
  unheard() {
    const words = "The sound of this take did not come, or this browser cannot play it. What was shown is played without it.";
    find("[data-heard-notes]").append(Object.assign(document.createElement("li"), { textContent: words }));
  },
  show(sample, passed, playing) {
    if (sample.shot !== shot || arriving !== null) {
      if (shown !== sample.shot || (arriving === null && shot !== sample.shot)) { shown = sample.shot; go(sample.shot); }
      return;
    }
    const names = (some) => some.map((one) => one.name).join();
    if (names(sample.shown) !== names(drawings) || JSON.stringify(sample.region) !== JSON.stringify(region)) look(sample.region, sample.shown);
    if (sample.mirror !== mirror()) { turning = true; turn(sample.mirror); queueMicrotask(() => { turning = false; }); }
    const frames = player.frames();
    if (!frames || shots[shot].still) return;
    const first = Math.min(Math.max(0, sample.frame - frames.first), frames.times.length - 2);
    const should = frames.times[first] / 1e6 + passed * sample.speed / 1e6;
    if (!playing || !sample.speed) {
      const frame = sample.speed ? player.frameAt(should) : first;
      if (!video.paused) video.pause();
      if (player.frame() !== frame) player.goTo(frame);
    } else {
      if (video.playbackRate !== sample.speed) player.speed(sample.speed);
      if (Math.abs(video.currentTime - should) > 0.12 * Math.max(1, sample.speed) && !video.seeking) video.currentTime = should + 0.001;
      if (video.paused) video.play().catch(() => {});
    }
  },
});
let opening = 0; // of the takes that were asked for only the last is opened
async function open(name) {
  const mine = opening += 1;
  try {
    const taken = await readTake(`${takes}/${name}`);
    if (mine !== opening || state !== "idle") return;
    find("[data-heard]").hidden = false;
    find("[data-heard-name]").textContent = `Take ${name}`;
    find("[data-again]").hidden = taken.sound_file;
    const notes = [...taken.notes];
    if (taken.sound_file) notes.push("A sound file: the shots run over it, one after the other, when the film is made.");
    else if (taken.recordings.some((one) => !one.ended)) notes.push("It broke off without being ended. All that was stored is kept, and it can go on from its end.");
    find("[data-heard-notes]").replaceChildren(...notes.map((text) => Object.assign(document.createElement("li"), { textContent: text })));
    shown = -1;
    for (const button of root.querySelectorAll("[data-open]")) button.setAttribute("aria-pressed", String(button.dataset.open === name));
    if (!taken.sound_file) await use(taken.shots);
    if (mine === opening) heard.open(taken);
  } catch (wrong) { if (mine === opening) problem(wrong.message); }
}
async function list() {
  const all = await ask(takes);
  find("[data-none]").hidden = all.length > 0;
  find("[data-takes]").replaceChildren(...all.map((one) => {
    const item = document.createElement("li");
    const button = (words, name, label) => { const made = Object.assign(document.createElement("button"), { type: "button", textContent: words }); made.dataset[name] = one.take; if (label) made.setAttribute("aria-label", label); return made; };
    const show = button(`Take ${one.take} · ${time(one.seconds * 1e6)}${one.sound_file ? " · sound file" : ""}`, "open");
    show.className = "open";
    item.append(show);
    if (one.chosen) item.append(Object.assign(document.createElement("span"), { className: "used", textContent: "in the film" }));
    else item.append(button("Use it", "use", `Use take ${one.take} in the film`));
    const away = Object.assign(document.createElement("details"), { className: "away" }), what = document.createElement("summary");
    what.append("Throw away", Object.assign(document.createElement("span"), { className: "hidden", textContent: ` take ${one.take}` }));
    away.append(what, button("Yes, throw it away for good", "away", `Yes, throw take ${one.take} away for good`), Object.assign(document.createElement("small"), { textContent: "Its voice and what was shown are deleted." }));
    item.append(away);
    for (const note of one.notes) item.append(Object.assign(document.createElement("small"), { textContent: note }));
    return item;
  }));
}
find("[data-takes]").addEventListener("click", async (e) => {
  const button = e.target.closest("button");
  if (!button) return;
  const { open: name, use: chosen, away } = button.dataset;
  if (state !== "idle") return problem("End the take that is being recorded first.");
  try {
    if (name) return await open(name);
    if (chosen) await ask(`${takes}/${chosen}/choose`, "POST");
    if (away) {
      await ask(`${takes}/${away}`, "DELETE");
      if (heard.take()?.take === away) { heard.stop(); find("[data-heard]").hidden = true; }
    }
    await list();
    find(chosen ? `[data-open="${chosen}"]` : "[data-record]")?.focus();
  } catch (wrong) { problem(wrong.message); }
});
find("[data-heard-play]").addEventListener("click", () => heard.playing() ? heard.stop() : heard.play());
seek.addEventListener("input", () => heard.take() && heard.seek(seek.valueAsNumber >= Number(seek.max) ? heard.take().length : seek.valueAsNumber * 1000));
find("[data-again]").addEventListener("click", () => { heard.stop(); record(heard.take().take, heard.at()); });
find("[data-bring]").addEventListener("change", async (e) => {
  const file = e.target.files[0], told = find("[data-bring-said]");
  if (!file) return;
  try {
    const key = await sendFile(file, root.dataset.key, { told: (_, words) => { told.textContent = words; } });
    told.textContent = "It is read…";
    const made = await ask(takes, "POST", { upload: key, file: file.name });
    told.textContent = `It is take ${made.take}, and the film uses it.`;
    await list();
  } catch (wrong) { told.textContent = wrong.message; }
  e.target.value = "";
});

// --- pressing and keys ---
let tapped = -1;
function tap(number) {
  const button = find(`[data-sentence="${number}"]`);
  if (!button) return;
  for (const one of root.querySelectorAll("[data-sentence]")) one.removeAttribute("aria-current");
  button.setAttribute("aria-current", "true");
  button.scrollIntoView({ block: "nearest" });
  tapped = number;
  log.sentence(number);
}
root.addEventListener("click", (e) => {
  const { shot: to, tool: kind, sentence } = e.target.closest("button")?.dataset ?? {};
  if (to !== undefined) go(Number(to));
  else if (kind) choose(kind);
  else if (sentence !== undefined) tap(Number(sentence));
});
find("[data-clear]").addEventListener("click", () => look(region, []));
find("[data-unzoom]").addEventListener("click", () => look(null, drawings));
const keys = { n: () => go(shot + 1), p: () => go(shot - 1), t: () => tap(tapped + 1), c: () => look(region, []), z: () => look(null, drawings) };
// A chart, or a shot that is missing, has no film: what moves film waits for another shot.
const playable = () => !screens[0].hidden;
for (const sign of ["click", "input"]) {
  place.addEventListener(sign, (e) => {
    if (playable() || !e.target.closest("[data-do], [data-speed], [data-tool], .seek")) return;
    e.stopImmediatePropagation();
    how("Nothing moves in this shot. N leads to the next one.");
  }, { capture: true });
}
// These keys are heard all over the article, but in no field; the player's own only in the player.
root.addEventListener("keydown", (e) => {
  const chord = e.ctrlKey || e.metaKey || e.altKey;
  if (chord || e.target.matches("input:not([type=range]), select")) { if (place.contains(e.target)) e.stopImmediatePropagation(); return; }
  const act = keys[e.key.toLowerCase()];
  if (!act) {
    if (!place.contains(e.target) || playable() || ["Tab", "Enter"].includes(e.key) || (e.key === " " && !e.target.matches("[data-do], .seek"))) return;
    e.stopImmediatePropagation();
    if (e.target.matches("[data-do], .seek")) e.preventDefault();
    return;
  }
  act();
  e.preventDefault();
}, { capture: true });

to("idle");
Promise.all([ask(apiShots).then((told) => {
  if (!told.length) problem("This point has no shot yet: put a clip into its text, then come back. You can bring a sound file.");
  return use(told);
}), list()]).catch((wrong) => problem(wrong.message)).finally(() => { root.dataset.ready = "yes"; });
