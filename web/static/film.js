// One clip's film, frame by frame: what every player, the show and two clips beside each other stand on.
//
// `times[i]` is the moment, in microseconds of clip time, from which frame i is shown; the last entry is the end.
// Seeking aims at the middle of a frame's time, so that no rounding can land on its neighbour.
import { ask } from "./ask.js";
import { settle } from "./video.js";

// `address`: of its frames; empty for a film that is given by `change`. `shown(frame)`: what is to be seen now.
// `painted({ frame, media, at })`: what the browser painted: frame of the footage, seconds of the clip, and when, on
// the page's clock.
export function film(video, address, shown, painted = () => {}) {
  const ended = new AbortController(), { signal } = ended;
  let frames = null, coming = null, at = 0, told = null, wanted = null, turn = 0, begun = false;
  let loop = false, from = 0, until = null; // frames; until null is the last
  settle(video);

  const count = () => frames.times.length - 1;
  const last = () => until ?? count() - 1;

  function frameAt(seconds, { times } = frames) {
    const us = Math.round(seconds * 1e6) + 500; // decoders and links round times, to the millisecond at worst
    let low = 0, high = times.length - 2;
    while (low < high) {
      const mid = (low + high + 1) >> 1;
      if (times[mid] <= us) low = mid; else high = mid - 1;
    }
    return low;
  }
  function show(frame) {
    at = frame;
    if (told !== frame) shown(told = frame);
  }
  function go(frame) {
    if (!frames) return;
    wanted = Math.min(Math.max(0, frame), count() - 1);
    show(wanted);
    if (!video.seeking) aim();
  }
  function aim() {
    const middle = (frames.times[wanted] + frames.times[wanted + 1]) / 2e6;
    wanted = null;
    video.currentTime = middle;
  }
  video.addEventListener("seeked", () => { if (wanted !== null) aim(); }, { signal });

  // Each frame as it is painted. Where the browser cannot tell, the time will do: while film runs, and after a seek.
  function seen(meta) {
    const settled = !video.seeking && wanted === null;
    const known = frames ?? coming; // the first picture may be there before anybody is told
    if (known && (meta || settled)) {
      const media = meta ? meta.mediaTime : video.currentTime, frame = frameAt(media, known);
      painted({ frame: known.first + frame, media, at: meta?.expectedDisplayTime ?? performance.now() });
      if (frames && settled) arrived(frame);
    }
    if (meta || !video.paused) again();
  }
  const tells = Boolean(video.requestVideoFrameCallback);
  let looking = false;
  function again() {
    begun = true;
    if (looking || signal.aborted) return;
    looking = true;
    const look = (_, meta) => { looking = false; if (!signal.aborted) seen(meta); };
    if (tells) video.requestVideoFrameCallback(look); else requestAnimationFrame(() => look());
  }
  if (!tells) for (const sign of ["play", "seeked"]) video.addEventListener(sign, () => { if (begun) again(); }, { signal });
  function arrived(frame) {
    show(frame);
    if (!video.paused && loop && frame >= last()) go(from);
  }
  video.addEventListener("ended", () => { if (loop) { go(from); video.play(); } }, { signal });

  const ready = address ? ask(address, { signal }).then((data) => { frames = data; return data; }) : null;

  // Another film in the same place: its frames as the server tells them. Ready when its first picture is there: true,
  // or false if another was asked for meanwhile.
  function change(data, film) {
    video.pause();
    [frames, coming, told, from, until, wanted] = [null, data, null, 0, null, null];
    const mine = ++turn;
    if (!begun) again();
    return new Promise((done, failed) => {
      const over = new AbortController();
      const once = (sign, act) => video.addEventListener(sign, () => { over.abort(); if (mine === turn) act(); else done(false); }, { signal: over.signal });
      once("loadeddata", () => { [frames, coming] = [data, null]; done(true); });
      once("error", () => failed(new Error("The film of this shot cannot be played.")));
      video.defaultPlaybackRate = video.playbackRate;
      video.src = film;
      settle(video);
    });
  }

  return {
    ready, change, frameAt, go, count, last,
    frames: () => frames,
    begin() { show(0); again(); },
    at: () => at,
    from: () => from,
    whole: () => from === 0 && until === null,
    loops: () => loop,
    repeat(on) { loop = on; },
    part(first, end) { from = first; until = end; },
    until: () => until,
    step(by) { video.pause(); go((wanted ?? at) + by); },
    play() {
      if (loop && (at < from || at >= last())) go(from);
      else if (at >= count() - 1) go(0);
      return video.play();
    },
    // Nobody looks at it any more: it lets go of the connection, and does nothing from now on.
    close() {
      ended.abort();
      video.pause();
      video.removeAttribute("src");
      video.load();
    },
  };
}
