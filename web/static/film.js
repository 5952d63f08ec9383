// One clip's film, frame by frame: what every player, the show and two clips beside each other stand on.
//
// `times[i]` is the moment, in microseconds of clip time, from which frame i is shown; the last entry is the end.
// Seeking aims at the middle of a frame's time, so that no rounding can land on its neighbour.
import { settle } from "./video.js";

export function film(video, address, shown) {
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
  function show(frame) { at = frame; shown(frame); }
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

  const ready = fetch(address).then((answer) => {
    if (!answer.ok) throw new Error(`the library answered ${answer.status}`);
    return answer.json();
  }).then((data) => { frames = data; return data; });

  return {
    ready, frameAt, go, count, last,
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
  };
}
