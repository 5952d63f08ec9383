// Frames by the footage's own timestamps. Numbers of frames are what is sent and kept; seconds are for showing.
export class Frames {
  constructor({ time_base: [over, under], steps }) {
    const times = [0];
    let ticks = 0;
    for (const [step, often] of steps) {
      for (let i = 0; i < often; i++) { ticks += step; times.push((ticks * over) / under); }
    }
    this.times = Float64Array.from(times); // one more than there are frames: the end of the last
    this.count = times.length - 1;
  }
  clamp(frame) { return Math.min(Math.max(0, frame), this.count - 1); }
  // The frame shown at a time that some player gives: half a frame's grace for what it rounds.
  near(seconds) {
    const frame = this.at(seconds);
    const there = this.times[frame], next = this.times[frame + 1];
    return frame + 1 < this.count && next - seconds < seconds - there ? frame + 1 : frame;
  }
  at(seconds) {
    let low = 0, high = this.count - 1;
    while (low < high) {
      const middle = (low + high + 1) >> 1;
      if (this.times[middle] <= seconds) low = middle; else high = middle - 1;
    }
    return low;
  }
  // Where to seek so that just this frame shows.
  middle(frame) { return (this.times[frame] + this.times[frame + 1]) / 2; }
}

export function clock(seconds, places = 1) {
  const sign = seconds < 0 ? "-" : "";
  const whole = Math.floor(Math.abs(seconds) * 10 ** places + 1e-6) / 10 ** places;
  const minutes = Math.floor(whole / 60), rest = (whole - minutes * 60).toFixed(places).padStart(places ? 3 + places : 2, "0");
  return minutes < 60 ? `${sign}${minutes}:${rest}` : `${sign}${Math.floor(minutes / 60)}:${String(minutes % 60).padStart(2, "0")}:${rest}`;
}

// Follows which frame a video shows. `shown()` is the frame on screen; `to(frame)` goes there.
export function follow(video, frames, changed) {
  let shown = 0, zero = null, wanted = null;
  const look = (_, about) => {
    // Footage time has its zero at the first picture, a player's may be the sound's.
    zero ??= video.currentTime === 0 || about.presentedFrames === 1 ? about.mediaTime : 0;
    if (wanted !== null) { video.currentTime = frames.middle(wanted) + zero; wanted = null; }
    shown = frames.near(about.mediaTime - zero);
    changed(shown);
    video.requestVideoFrameCallback(look);
  };
  video.requestVideoFrameCallback(look);
  if (video.readyState >= 2) video.currentTime = 0; // the first picture was painted before anybody asked: once more
  return {
    shown: () => shown,
    to(frame) {
      const target = frames.clamp(frame);
      if (zero === null) wanted = target; // before the first picture is there, nobody knows where its zero is
      else video.currentTime = frames.middle(target) + zero;
      return target;
    },
  };
}
