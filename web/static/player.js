// The controls around a film that knows its frames.
import { film } from "./film.js";
import * as visit from "./kept.js";

// `keeping`: whether the next clip is looked at as this one is.
export function stage(place, { keeping = true } = {}) {
  const video = place.querySelector("video");
  const seek = place.querySelector(".seek");
  const one = (what) => place.querySelector(`[data-do="${what}"]`);
  const said = place.querySelector("[data-said]");
  const [clockText, frameText, footageText, nowText] = ["[data-clock]", "[data-frame]", "[data-footage]", ".now"].map((what) => place.querySelector(what));
  const strip = [...place.querySelectorAll(".at")];
  const band = place.querySelector(".part-line rect");
  const speeds = [...place.querySelectorAll("[data-speed]")];
  const keep = (what) => { if (keeping) visit.keep(what); };
  let frames = null, goingOn = null; // the mark of what goes on
  const reel = film(video, place.dataset.frames, show, (told) => place.dispatchEvent(new CustomEvent("painted", { detail: told })));
  const { count, last, frameAt, go } = reel;

  function show(frame) {
    seek.value = frame;
    place.dispatchEvent(new CustomEvent("frame", { detail: frame }));
    const clock = frames.clocks[frame] ?? "between rounds";
    seek.setAttribute("aria-valuetext", `frame ${frames.first + frame}, ${clock}`);
    frameText.textContent = frames.first + frame;
    footageText.textContent = frames.footage[frame];
    if (clockText.textContent !== clock) clockText.textContent = nowText.textContent = clock;
    const us = frames.times[frame + 1] - 1;
    let current = null;
    for (const mark of strip) if (Number(mark.dataset.at) <= us && us - Number(mark.dataset.at) < 600_000) current = mark;
    if (current === goingOn) return;
    goingOn?.classList.remove("going-on");
    current?.classList.add("going-on");
    goingOn = current;
  }

  function layMarks() {
    if (!frames) return;
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
  }
  if (strip.length) new ResizeObserver(layMarks).observe(strip[0].parentElement); // a phone that is turned round

  function use(data) {
    frames = data;
    seek.max = count() - 1;
    layMarks();
    place.dataset.ready = "yes";
    return frames;
  }
  // Never, if they do not come; the page then says so.
  const ready = reel.ready?.catch((wrong) => new Promise(() => {
    const words = `The frames of this clip did not come, and without them it cannot be played. ${wrong.message} To try once more, load the page again.`;
    const said = Object.assign(document.createElement("p"), { className: "problem", textContent: words });
    said.setAttribute("role", "alert");
    place.prepend(said);
  })).then((data) => { use(data); reel.begin(); as(visit.kept()); return data; });
  async function change(data, address) {
    frames = null;
    const there = await reel.change(data, address);
    if (there) { use(data); go(0); }
    return there;
  }

  const press = (button, on) => button.setAttribute("aria-pressed", String(on));
  function part() {
    one("whole").hidden = reel.whole();
    const end = frames.times[count()];
    const x = 100 * frames.times[reel.from()] / end;
    band.setAttribute("x", `${x}%`);
    band.setAttribute("width", reel.loops() ? `${100 * frames.times[last() + 1] / end - x}%` : "0%");
    press(one("loop"), reel.loops());
  }
  function repeat(on) { reel.repeat(on); keep({ loop: on }); part(); }
  function speed(value) {
    video.playbackRate = value;
    keep({ speed: value });
    for (const button of speeds) press(button, Number(button.dataset.speed) === value);
    said.textContent = `${value} times speed`;
  }
  function mirror(on) { video.classList.toggle("mirrored", on); keep({ mirror: on }); press(one("mirror"), on); }
  function sound(on) { video.muted = !on; keep({ sound: on }); press(one("sound"), on); }
  // As the clip before was looked at.
  function as(told) {
    if (told.speed !== 1 && speeds.some((b) => Number(b.dataset.speed) === told.speed)) speed(told.speed);
    if (told.mirror) mirror(true);
    if (told.loop && !one("loop").hidden) repeat(true);
    if (!told.sound) sound(false);
  }
  const { step } = reel;

  const acts = {
    play: () => (video.paused ? reel.play() : video.pause()),
    back: () => step(-1),
    forward: () => step(1),
    loop: () => repeat(!reel.loops()),
    from: () => {
      const at = reel.at(), until = reel.until();
      reel.part(at, until !== null && until <= at ? null : until);
      repeat(true);
      said.textContent = `repeats from frame ${frames.first + at}`;
    },
    until: () => {
      const at = reel.at();
      reel.part(reel.from() >= at ? 0 : reel.from(), at);
      repeat(true);
      said.textContent = `repeats until frame ${frames.first + at}`;
    },
    whole: () => { reel.part(0, null); part(); one("loop").focus(); },
    mirror: () => mirror(!video.classList.contains("mirrored")),
    sound: () => sound(video.muted),
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
      one("play").classList.toggle("running", !video.paused);
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
    change,
    speed,
    frames: () => frames,
    frame: reel.at,
    footageFrame: () => frames.first + reel.at(),
    footageTime: () => frames.exact[reel.at()],
    frameAt,
    goTo: (frame) => { video.pause(); go(frame); },
  };
}
