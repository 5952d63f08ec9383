// The strip under the picture: what was logged, in time, passing a fixed line. A mark can be dragged to another
// frame; the picture follows.
const SHOWN = 12; // seconds from side to side

export function strip(place, { frames, seek, moved, chosen }) {
  const lane = place.querySelector(".log-lane");
  const marks = new Map();
  let now = 0, dragging = null;
  const scale = () => place.clientWidth / SHOWN;

  function settle() {
    if (dragging) return;
    lane.style.transform = `translateX(${place.clientWidth / 2 - now * scale()}px)`;
  }
  function lay(mark, frame) { mark.style.left = `${frames.times[frame] * scale()}px`; }

  function show(lines) {
    const there = new Set(lines.map((line) => line.id));
    for (const [id, mark] of marks) if (!there.has(id)) { mark.remove(); marks.delete(id); }
    for (const line of lines) {
      if (line.frame === null) continue;
      let mark = marks.get(line.id);
      if (!mark) {
        mark = document.createElement("button");
        mark.type = "button";
        mark.tabIndex = -1; // the list has the same by keyboard
        mark.addEventListener("pointerdown", (e) => grab(e, mark));
        marks.set(line.id, mark);
        lane.append(mark);
      }
      mark.className = `log-mark ${line.corner}`;
      mark.line = line;
      mark.setAttribute("aria-label", `${line.who} ${line.action ? line.words : line.note}`);
      mark.textContent = !line.action ? "!" : line.words.split(" ").map((word) => word[0]).join("").slice(0, 3);
      lay(mark, line.frame);
    }
    settle();
  }

  function grab(e, mark) {
    if (e.button) return;
    e.preventDefault();
    mark.setPointerCapture(e.pointerId);
    dragging = { mark, x: e.clientX, from: mark.line.frame, to: mark.line.frame };
    mark.classList.add("held");
    const move = (m) => {
      const at = frames.times[dragging.from] + (m.clientX - dragging.x) / scale();
      const frame = frames.near(at);
      if (frame === dragging.to) return;
      dragging.to = frame;
      lay(mark, frame);
      seek(frame);
    };
    const drop = () => {
      mark.removeEventListener("pointermove", move);
      mark.classList.remove("held");
      const { from, to } = dragging;
      dragging = null;
      if (to !== from) moved(mark.line, to); else { chosen(mark.line); settle(); }
    };
    mark.addEventListener("pointermove", move);
    mark.addEventListener("pointerup", drop, { once: true });
    mark.addEventListener("pointercancel", drop, { once: true });
  }

  new ResizeObserver(() => { for (const mark of marks.values()) lay(mark, mark.line.frame); settle(); }).observe(place);
  return { show, pass(seconds) { now = seconds; settle(); } };
}
