// The second of two clips at once: it follows the first one, in step at their matched actions.
import { film } from "./film.js";

const LATE_S = 0.06; // it may run this far off before it is set anew

// `painted()`: another frame of it is on the picture.
export function second(video, first, painted) {
  let ahead = 0, shown = null; // its time less the first one's, seconds; the frame of its footage on the picture
  const reel = film(video, "", () => {}, ({ frame }) => { if (frame !== shown) { shown = frame; painted(); } });

  // Called whenever the first one shows a frame, plays or stops.
  function follow(frames, frame) {
    const own = reel.frames();
    if (!own || !frames) return;
    const middle = (frames.times[frame] + frames.times[frame + 1]) / 2e6;
    const should = (first.paused ? middle : first.currentTime) + ahead, inside = should >= 0 && should < own.times.at(-1) / 1e6;
    video.playbackRate = first.playbackRate;
    if (first.paused || !inside) {
      if (!video.paused) video.pause();
      const wanted = reel.frameAt(Math.max(0, should));
      if (own.first + wanted !== shown || video.seeking) reel.go(wanted);
    } else {
      if (Math.abs(video.currentTime - should) > LATE_S && !video.seeking) video.currentTime = should;
      if (video.paused) video.play().catch(() => {});
    }
  }

  return {
    follow,
    frame: () => shown,
    // `meet`: footage time, microseconds, of the first one's action; `offset`: frames by which this one is later.
    async change(pane, frames, firstFrames, meet, offset) {
      shown = null;
      const apart = pane.meet === null || meet === null ? 0 : (pane.meet - frames.zero - meet + firstFrames.zero) / 1e6;
      ahead = apart - offset * (firstFrames.times[1] - firstFrames.times[0]) / 1e6;
      if (await reel.change(frames, pane.video)) follow(firstFrames, 0);
    },
  };
}
