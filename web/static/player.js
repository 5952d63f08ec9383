// A player that knows every frame of its clip.
//
// `times[i]` is the moment, in microseconds of clip time, from which frame i is shown; the last entry is the end.
// Seeking aims at the middle of a frame's time, so that no rounding can land on its neighbour.
import { settle } from "./video.js";

export function stage(place) {
  const video = place.querySelector("video");
  const seek = place.querySelector(".seek");
  const one = (what) => place.querySelector(`[data-do="${what}"]`);
  const said = place.querySelector("[data-said]");
  const strip = [...place.querySelectorAll(".at")];
  const band = place.querySelector(".part-line rect");
  const speeds = [...place.querySelectorAll("[data-speed]")];
  let frames = null, at = 0, wanted = null;
  let loop = false, from = 0, until = null; // frames; until null is the last
  settle(video);

  const count = () => frames.times.length - 1;
  const last = () => until ?? count() - 1;

  function frameAt(seconds) {
    const us = Math.round(seconds * 1e6) + 500; // decoders and links round times, to the millisecond at worst
    let low = 0, high = count() - 1;
    while (low < high) {
      const mid = (low + high + 1) >> 1;
      if (frames.times[mid] <= us) low = mid; else high = mid - 1;
    }
    return low;
  }

  function show(frame) {
    at = frame;
    seek.value = frame;
    place.dispatchEvent(new CustomEvent("frame", { detail: frame }));
    const clock = frames.clocks[frame] ?? "between rounds";
    seek.setAttribute("aria-valuetext", `frame ${frames.first + frame}, ${clock}`);
    place.querySelector("[data-clock]").textContent = clock;
    place.querySelector("[data-frame]").textContent = frames.first + frame;
    place.querySelector("[data-footage]").textContent = frames.footage[frame];
    place.querySelector(".now").textContent = clock;
    const us = frames.times[frame + 1] - 1;
    let current = null;
    for (const mark of strip) if (Number(mark.dataset.at) <= us && us - Number(mark.dataset.at) < 600_000) current = mark;
    for (const mark of strip) mark.classList.toggle("going-on", mark === current);
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
  video.addEventListener("seeked", () => { if (wanted !== null) aim(); });

  // Each frame as it is painted; where the browser cannot tell, the time will do.
  function painted(_, meta) {
    if (frames && !video.seeking && wanted === null) arrived(frameAt(meta ? meta.mediaTime : video.currentTime));
    again();
  }
  function again() {
    if (video.requestVideoFrameCallback) video.requestVideoFrameCallback(painted);
    else requestAnimationFrame(() => painted());
  }
  function arrived(frame) {
    show(frame);
    if (!video.paused && loop && frame >= last()) go(from);
  }
  video.addEventListener("ended", () => { if (loop) { go(from); video.play(); } });

  const ready = fetch(place.dataset.frames).then((answer) => answer.json()).then((data) => {
    frames = data;
    seek.max = count() - 1;
    const end = frames.times[count()];
    for (const mark of strip) mark.style.left = `${Math.min(100, Math.max(0, 100 * Number(mark.dataset.at) / end))}%`;
    // Marks so close that one would hide the other move apart.
    for (const lane of place.querySelectorAll(".strip-line")) {
      let edge = -Infinity;
      for (const mark of [...lane.children].sort((a, b) => a.dataset.at - b.dataset.at)) {
        const shift = Math.max(0, edge - mark.offsetLeft);
        if (shift) mark.style.left = `${mark.offsetLeft + shift}px`;
        edge = mark.offsetLeft + mark.offsetWidth;
      }
    }
    show(0);
    again();
    place.dataset.ready = "yes";
    return frames;
  });

  const press = (button, on) => button.setAttribute("aria-pressed", String(on));
  function part() {
    one("whole").hidden = from === 0 && until === null;
    const end = frames.times[count()];
    const x = 100 * frames.times[from] / end;
    band.setAttribute("x", `${x}%`);
    band.setAttribute("width", loop ? `${100 * frames.times[last() + 1] / end - x}%` : "0%");
    press(one("loop"), loop);
  }
  function speed(value) {
    video.playbackRate = value;
    for (const button of speeds) press(button, Number(button.dataset.speed) === value);
    said.textContent = `${value} times speed`;
  }
  function step(by) { video.pause(); go((wanted ?? at) + by); }

  const acts = {
    play: () => {
      if (!video.paused) return video.pause();
      if (loop && (at < from || at >= last())) go(from);
      else if (at >= count() - 1) go(0);
      return video.play();
    },
    back: () => step(-1),
    forward: () => step(1),
    loop: () => { loop = !loop; part(); },
    from: () => { from = at; if (until !== null && until <= from) until = null; loop = true; part(); said.textContent = `repeats from frame ${frames.first + from}`; },
    until: () => { until = at; if (from >= until) from = 0; loop = true; part(); said.textContent = `repeats until frame ${frames.first + until}`; },
    whole: () => { from = 0; until = null; part(); one("loop").focus(); },
    mirror: () => { press(one("mirror"), video.classList.toggle("mirrored")); },
    sound: () => { video.muted = !video.muted; press(one("sound"), !video.muted); },
    full: () => { document.fullscreenElement ? document.exitFullscreen() : place.requestFullscreen?.().catch(() => {}); },
  };
  place.addEventListener("click", (e) => {
    const button = e.target.closest("button");
    if (!button || !frames) return;
    if (button.dataset.do) acts[button.dataset.do]();
    else if (button.dataset.speed) speed(Number(button.dataset.speed));
    else if (button.dataset.at) { video.pause(); go(frameAt(Number(button.dataset.at) / 1e6)); }
  });
  video.addEventListener("click", () => acts.play());
  for (const happening of ["play", "pause"]) {
    video.addEventListener(happening, () => {
      press(one("play"), !video.paused);
      one("play").setAttribute("aria-label", video.paused ? "Play" : "Pause");
    });
  }
  seek.addEventListener("input", () => { video.pause(); go(seek.valueAsNumber); });

  const letters = { a: "from", b: "until", r: "loop", w: "whole", m: "mirror", s: "sound", f: "full" };
  place.addEventListener("keydown", (e) => {
    if (e.ctrlKey || e.metaKey || e.altKey || !frames) return;
    const key = e.key.toLowerCase();
    const by = e.shiftKey ? 10 : 1;
    if (e.key === "ArrowLeft") step(-by);
    else if (e.key === "ArrowRight") step(by);
    else if (e.key === "ArrowUp" || e.key === "ArrowDown") {
      const now = speeds.findIndex((b) => Number(b.dataset.speed) === video.playbackRate);
      const next = speeds[now + (e.key === "ArrowUp" ? 1 : -1)];
      if (next) speed(Number(next.dataset.speed));
    } else if (e.key === " " && !(e.target.matches("button, summary") && !e.target.matches("[data-do=play]"))) acts.play();
    else if (/^[1-9]$/.test(key)) strip.toSorted((a, b) => a.dataset.at - b.dataset.at)[Number(key) - 1]?.click();
    else if (letters[key] && !e.shiftKey) acts[letters[key]]();
    else return;
    e.preventDefault();
  });
  one("play").focus({ preventScroll: true });

  return {
    ready,
    footageFrame: () => frames.first + at,
    footageTime: () => frames.exact[at],
    frameAt,
    goTo: (frame) => { video.pause(); go(frame); },
  };
}
