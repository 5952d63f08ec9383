// What is on the picture, as lines of data on one clock: at each change, and while film runs often enough that the
// frame between two lines follows from them.
const EVERY_MS = 200;
const LATE_S = 0.02; // a frame waits up to 1/60 s for the screen
const STOOD_MS = 60; // frames were left out, and the one before was there for longer than one of a film

// `state()` gives { shot, drawings: names, mirror, region, other, speed }: speed 0 for a still picture.
export function pictureLog(state) {
  let lines = [], zero = 0, on = false, lastT = 0;
  let last = null; // the last sample written, whole
  let base = null; // its frame's time in the film and on the page's clock
  let seen = null; // the last frame that was painted: { shot, frame, media, at }

  function stamp(at) {
    lastT = Math.max(lastT, Math.round((at - zero) * 1000));
    return lastT;
  }
  function write(at, picture, speed) {
    const now = state();
    const line = { t: stamp(at), shot: picture.shot, frame: picture.frame };
    const full = { speed, drawings: now.drawings, mirror: now.mirror, region: now.region };
    for (const [name, value] of Object.entries(full)) if (!last || JSON.stringify(last[name]) !== JSON.stringify(value)) line[name] = value;
    if (now.other !== null) line.other = now.other;
    last = { ...line, ...full };
    base = { media: picture.media, at };
    lines.push(line);
  }

  function painted({ frame, media, at }) {
    const { shot, speed } = state();
    const here = { shot, frame, media, at }, before = seen;
    seen = here;
    if (!on) return;
    if (!last || last.shot !== shot || !speed) {
      if (!last || last.shot !== shot || last.frame !== frame || last.speed) write(at, here, speed);
      return;
    }
    if (last.speed !== speed) return write(at, here, speed);
    const off = Math.abs((media - base.media) / speed - (at - base.at) / 1000);
    const stood = before && before.shot === shot && at - before.at > STOOD_MS && Math.abs(frame - before.frame) > 1;
    if (stood || off > LATE_S) {
      // What was there is noted too; as a still picture if it stood while film should have run.
      if (before && before.shot === shot && before.at >= base.at) {
        const late = (at - before.at) / 1000 - (media - before.media) / speed > 0.1;
        write(before.at, before, stood || late ? 0 : speed);
      }
      write(at, here, speed);
    } else if (at - base.at >= EVERY_MS) write(at, here, speed);
  }

  return {
    painted,
    // Something but the frame is otherwise than before.
    changed() {
      const { shot, speed } = state();
      if (!on || !seen || seen.shot !== shot) return;
      if (last?.speed && last.shot === shot && seen.at > base.at) write(seen.at, seen, last.speed);
      write(performance.now(), seen, Math.min(last?.speed ?? 0, speed));
    },
    // Another shot is coming; what is painted until then is of no shot.
    leave() { seen = null; },
    drawing(name, pane, values) { if (on) lines.push({ t: stamp(performance.now()), drawing: name, pane, values }); },
    sentence(number) { if (on) lines.push({ t: stamp(performance.now()), sentence: number }); },
    begin(at) {
      [lines, zero, on, lastT, last, base] = [[], at, true, 0, null, null];
    },
    first() { if (on && !last && seen) write(performance.now(), seen, 0); },
    end() { on = false; },
    take() { const some = lines; lines = []; return some; },
  };
}
