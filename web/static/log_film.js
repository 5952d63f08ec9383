// The film as a strip: rounds, rests, replays and where action is likely; and what is proposed of it, to be decided.
import { clock, follow } from "./log_frames.js";

const SVG = "http://www.w3.org/2000/svg";
const WIDE = 1000;
const EARLIER = 0.25; // seconds heard before a boundary, and after it

export function found(picture, place, { ask, by, frames, video, seek, pause, listen, changed }) {
  const $ = (what) => place.querySelector(what);
  const now = document.createElementNS(SVG, "line"), card = $(".film-card");
  let told = { seconds: 1, rounds: [], parts: [], proposals: [], quiet: null, notes: [] };
  let at = 0, edge = 0, moved = null, last = null, busy = false;

  // --- the strip ---
  const x = (seconds) => (WIDE * Math.max(0, Math.min(seconds, told.seconds))) / told.seconds;
  function box(kind, from, until, top, high) {
    const rect = document.createElementNS(SVG, "rect");
    rect.setAttribute("class", kind);
    rect.setAttribute("x", x(from));
    rect.setAttribute("width", Math.max(1.5, x(until) - x(from)));
    rect.setAttribute("y", top);
    rect.setAttribute("height", high);
    picture.append(rect);
  }
  function drawStrip() {
    picture.replaceChildren();
    box("film-ground", 0, told.seconds, 0, 40);
    for (const [, from, until] of told.rounds) box("part-round", from, until, 6, 18);
    for (const [, from, until] of rests()) box("part-rest", from, until, 13, 4);
    for (const part of told.parts) if (part.kind !== "round" && part.kind !== "rest") box(`part-${part.kind}`, part.from, part.until, 3, 24);
    for (const one of told.proposals) box(`film-open of-${one.kind}${one === current() ? " film-current" : ""}`, one.from, one.until, one.kind === "round" ? 6 : 3, one.kind === "round" ? 18 : 24);
    if (told.quiet?.useful) for (const [from, until] of told.quiet.spans) box("film-action", from, until, 32, 6);
    now.setAttribute("class", "film-now");
    picture.append(now);
  }
  function pass(seconds) {
    for (const [name, value] of [["x1", x(seconds)], ["x2", x(seconds)], ["y1", 0], ["y2", 40]]) now.setAttribute(name, value);
  }
  picture.addEventListener("pointerdown", (e) => {
    const area = picture.getBoundingClientRect();
    pause();
    seek(frames.near(((e.clientX - area.left) / area.width) * told.seconds));
  });
  const rests = () => told.rounds.slice(1).map(([n, from], i) => [n - 1, told.rounds[i][2], from]);

  // --- what is proposed ---
  const current = () => told.proposals[at] ?? null;
  function name(one) {
    if (one.kind === "round") return `Round ${one.number}`;
    return "Replay";
  }
  // Words for how sure it is, and what speaks for it; never a share: they were counted on drawn film only.
  function drawCard() {
    const one = current();
    place.dataset.open = String(told.proposals.length);
    card.hidden = !one;
    $("[data-film-both]").hidden = !told.proposals.some((p) => p.verdict === "both");
    $("[data-film-none]").hidden = Boolean(one) || !told.looked;
    $("[data-film-other]").hidden = !told.other;
    $("[data-film-notes]").textContent = [...told.notes, ...(told.quiet?.said ?? [])].join(". ");
    if (!one) return;
    const span = moved ?? [frames.near(one.from), frames.near(one.until)];
    $("[data-film-name]").textContent = `${name(one)}: ${clock(frames.times[span[0]], 2)} to ${clock(frames.times[span[1]], 2)}`;
    $("[data-film-sure]").textContent = `${one.sureness}${one.verdict ? `, ${one.verdict}` : ""}${moved ? ", moved by you" : ""} · ${at + 1} of ${told.proposals.length}`;
    $("[data-film-why]").textContent = one.evidence.join("; ");
    for (const button of place.querySelectorAll("[data-edge]")) button.setAttribute("aria-pressed", String(Number(button.dataset.edge) === edge));
    stills(one, span);
  }
  // Two pictures of the boundary, the frame before it and the frame at it; of a replay also what it shows again. One
  // film, off the page, shows them one after the other; what is asked for later ends what was asked for before.
  const source = document.createElement("video");
  source.muted = true;
  source.preload = "auto";
  let arrived = () => {}, wanted = new AbortController();
  const eye = follow(source, frames, (frame) => arrived(frame));
  async function stills(one, span) {
    wanted.abort();
    const { signal } = wanted = new AbortController();
    const shown = [span[edge] - 1, span[edge]];
    if (one.kind === "replay" && one.of !== null) shown.push(frames.near(one.of));
    const key = `${one.id}-${edge}-${span[edge]}`, places = [...place.querySelectorAll("figure")];
    places[2].hidden = shown.length < 3;
    if (!source.src) source.src = video.currentSrc || video.src;
    for (const [i, frame] of shown.entries()) {
      const target = frames.clamp(frame);
      if (!(await still(target, signal))) return;
      const canvas = places[i].querySelector("canvas");
      canvas.width = 320;
      canvas.height = Math.round((320 * (source.videoHeight || 9)) / (source.videoWidth || 16));
      canvas.getContext("2d").drawImage(source, 0, 0, canvas.width, canvas.height);
      canvas.dataset.frame = String(target);
      places[i].querySelector("figcaption").textContent = `${["just before", "at", "shown again from"][i]} ${clock(frames.times[target], 2)}`;
    }
    card.dataset.shown = key;
  }
  // True when the browser has painted this frame; false when another is asked for first, or there is no film. A frame
  // that is there already is not painted anew.
  function still(target, signal) {
    return new Promise((done) => {
      const there = () => eye.shown() === target && source.readyState >= 2 && !source.seeking;
      if (there()) { done(true); return; }
      arrived = (frame) => { if (frame === target) done(true); };
      signal.addEventListener("abort", () => done(false));
      source.addEventListener("seeked", () => { if (there()) done(true); }, { signal });
      source.addEventListener("error", () => done(false), { signal });
      eye.to(target);
    });
  }
  // Half a second of sound round the boundary, then the film stands as it did.
  let hearing = 0;
  function hush() {
    if (!hearing) return;
    clearTimeout(hearing);
    hearing = 0;
    pause();
    listen(false);
  }
  function hear() {
    const one = current();
    if (!one) return;
    hush();
    const moment = frames.times[(moved ?? [frames.near(one.from), frames.near(one.until)])[edge]];
    seek(frames.near(Math.max(0, moment - EARLIER)));
    listen(true);
    video.play().catch(() => {});
    hearing = setTimeout(hush, (2 * EARLIER + 0.15) * 1000);
  }
  function step(by) {
    const one = current();
    if (!one) return;
    moved ??= [frames.near(one.from), frames.near(one.until)];
    const to = frames.clamp(moved[edge] + by);
    if (edge ? to > moved[0] : to < moved[1]) moved[edge] = to;
    hush();
    pause();
    seek(moved[edge]);
    drawCard();
  }
  function go(by) {
    if (!told.proposals.length) return;
    at = (at + by + told.proposals.length) % told.proposals.length;
    edge = 0;
    moved = null;
    hush();
    pause();
    seek(frames.near(current().from));
    drawStrip();
    drawCard();
  }
  function side() {
    edge = 1 - edge;
    hush();
    const one = current();
    if (one) seek((moved ?? [frames.near(one.from), frames.near(one.until)])[edge]);
    drawCard();
  }
  async function decide(path, body) {
    if (busy) return;
    busy = true;
    place.setAttribute("aria-busy", "true");
    try {
      show(await ask(path, { method: "POST", body: { by, ...body } }));
      $("[data-film-said]").textContent = "";
      return true;
    } catch (problem) {
      $("[data-film-said]").textContent = problem.message;
      await load();
      return false;
    } finally { busy = false; place.removeAttribute("aria-busy"); }
  }
  async function accept() {
    const one = current();
    if (!one) return;
    const span = moved ? { first: moved[0], last: moved[1] } : {};
    if (await decide(`/proposals/${one.id}`, { decision: "accept", ...span })) last = one.id;
  }
  async function refuse() {
    const one = current();
    if (one && await decide(`/proposals/${one.id}`, { decision: "refuse" })) last = one.id;
  }
  async function undo() {
    if (last !== null && await decide(`/proposals/${last}`, { decision: "undo" })) last = null;
  }
  const both = () => decide("/proposals/both", {});
  const doing = { accept, refuse, undo, both, hear, side, next: () => go(1), before: () => go(-1), back: () => step(-1), on: () => step(1) };
  place.addEventListener("click", (e) => {
    const what = e.target.closest("[data-film]")?.dataset.film;
    if (what) doing[what]();
    const side = e.target.closest("[data-edge]");
    if (side && Number(side.dataset.edge) !== edge) doing.side();
  });
  const KEYS = { a: accept, x: refuse, u: undo, b: both, h: hear, e: side, ArrowDown: () => go(1), ArrowUp: () => go(-1), ArrowLeft: () => step(-1), ArrowRight: () => step(1) };
  card.addEventListener("keydown", (e) => {
    if (e.ctrlKey || e.metaKey || e.altKey) return;
    const key = e.key === "Enter" && e.target === card ? "a" : e.key;
    if (!Object.hasOwn(KEYS, key)) return;
    e.preventDefault();
    if (e.shiftKey && key.startsWith("Arrow")) step(key === "ArrowLeft" ? -10 : 10);
    else KEYS[key]();
  });

  function show(answer) {
    const was = current()?.id;
    told = answer;
    const place_of = told.proposals.findIndex((p) => p.id === was);
    if (place_of < 0) { moved = null; edge = 0; } else at = place_of;
    at = Math.min(at, Math.max(0, told.proposals.length - 1));
    drawStrip();
    drawCard();
    changed(told);
  }
  async function load() { show(await ask("/film")); }
  return { load, pass, told: () => told, focus: () => { if (current()) { card.focus(); seek(frames.near(current().from)); } } };
}

// --- what is passed over while the film plays ---
// Rests and replays that somebody has confirmed are passed over; nothing inside a round is. Where action is
// unlikely the film runs at twice the speed.
export function pace({ video, frames, seek, told, wishes }) {
  let base = 1, hurried = false, listening = false;
  const run = () => { video.playbackRate = listening ? 1 : hurried ? 2 * base : base; };
  function pass(seconds) {
    if (listening || video.paused || video.seeking) return;
    const { rounds, parts, quiet } = told();
    const wish = wishes();
    if (wish.skip) {
      const replay = parts.find((p) => p.kind === "replay" && seconds >= p.from && seconds < p.until - 0.1);
      if (replay) return seek(frames.near(replay.until));
      const coming = rounds.find(([, from]) => from > seconds);
      const inside = rounds.some(([, from, until]) => seconds >= from - 1 && seconds < until + 1);
      if (rounds.length && coming && !inside && coming[1] - seconds > 1.5) return seek(frames.near(coming[1] - 1));
      if (rounds.length && !coming && !inside) return video.pause();
    }
    const fast = wish.hurry && quiet?.useful && !quiet.spans.some(([from, until]) => seconds >= from - 0.2 && seconds < until);
    if (fast !== hurried) { hurried = fast; run(); }
  }
  return {
    pass,
    speed(value) { [base, hurried] = [value, false]; run(); },
    listen(on) { listening = on; run(); }, // as it was, and whole, while somebody listens
  };
}
