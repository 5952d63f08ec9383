// Plays a take back without rendering: its sound from the library, the picture driven by the lines that were stored.
import { answered, ask } from "./ask.js";

// A take's samples and taps in its own time, out of what is used of each recording.
export async function readTake(address) {
  const take = await ask(address);
  const samples = [];
  for (const [from, until, number] of take.used) {
    if (take.sound_file) continue;
    const text = await (await answered(`${address}/recordings/${number}/picture`)).text();
    const known = {};
    let last = { speed: 0, drawings: [], mirror: "none", region: null };
    for (const line of text.split("\n").filter(Boolean).map(JSON.parse)) {
      const t = from + line.t;
      if (t >= until && samples.length) break;
      if ("drawing" in line) known[line.drawing] = { name: line.drawing, pane: line.pane ?? 0, values: line.values };
      else if (!("sentence" in line)) {
        last = { other: null, ...last, ...line, t };
        samples.push({ ...last, other: line.other ?? null, shown: last.drawings.map((name) => known[name]).filter(Boolean) });
      }
    }
  }
  return { ...take, samples };
}

// `show(sample, passed)`: have the picture as in a sample, so many microseconds after it. `told(t, playing)`.
// `unheard()`: a sound that is there cannot be played.
export function playback({ address, show, told, unheard }) {
  const audio = new Audio();
  audio.preload = "auto";
  audio.addEventListener("error", () => { if (audio.hasAttribute("src")) unheard(); });
  let take = null, t = 0, playing = false, part = -1, wall = 0;

  const sampleAt = (us) => {
    let low = 0, high = take.samples.length - 1;
    while (low < high) { const mid = (low + high + 1) >> 1; if (take.samples[mid].t <= us) low = mid; else high = mid - 1; }
    return take.samples[low] ?? null;
  };
  function picture() {
    const sample = sampleAt(t);
    if (sample) show(sample, Math.max(0, t - sample.t), playing);
  }
  function place() { // the sound of this moment, at its place
    part = take.used.findIndex(([from, until]) => from <= t && t < until);
    const number = take.used[part]?.[2], recording = take.recordings[number];
    if (!recording?.pieces) { audio.removeAttribute("src"); return; }
    const src = `${address(take.take)}/recordings/${number}/sound`;
    if (!audio.src.endsWith(src)) audio.src = src;
    audio.currentTime = Math.max(0, (t - recording.begins - recording.sound_begins) / 1e6);
    if (playing) audio.play().catch(() => {});
  }
  function clock(now) {
    const recording = take.recordings[take.used[part]?.[2]];
    const heard = recording?.pieces && !audio.ended && !audio.error && audio.readyState > 2 && !audio.seeking;
    if (heard) t = recording.begins + recording.sound_begins + audio.currentTime * 1e6;
    else if (audio.ended || audio.error || !recording?.pieces) t += (now - wall) * 1000;
    wall = now;
  }
  function tick(now) {
    if (!playing) return;
    clock(now);
    if (t >= take.length) { t = take.length; return stop(); }
    const [from, until] = take.used[part] ?? [0, 0];
    if (t < from || t >= until) place();
    picture();
    told(t, true);
    requestAnimationFrame(tick);
  }
  function stop() {
    playing = false;
    audio.pause();
    if (take) { picture(); told(t, false); }
  }
  return {
    open(other) { stop(); take = other; t = 0; part = -1; audio.removeAttribute("src"); if (take) { place(); picture(); told(0, false); } },
    take: () => take,
    at: () => Math.round(t),
    playing: () => playing,
    play() {
      if (!take?.length) return;
      if (t >= take.length) t = 0;
      playing = true;
      wall = performance.now();
      place();
      requestAnimationFrame(tick);
    },
    stop,
    seek(us) { t = Math.min(Math.max(0, us), take.length); place(); picture(); told(t, playing); },
  };
}
