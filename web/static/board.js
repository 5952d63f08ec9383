// The board over a video: points are placed on the picture with finger, mouse or keys; and the part of it that is shown.
import { NEEDS, layer, make, picture, placer } from "./draw_shapes.js";
import { simpler } from "./draw_points.js";

const WAYS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
const MOST_POINTS = 1500; // of a path drawn by hand
const DRAG = { circle: "the middle to the rim", box: "corner to corner", zoom: "corner to corner", arrow: "tail to head" };
const ANGLE = ["", "Now the end of the second arm.", "Now the corner.", "Place the end of the first arm, the corner, then the end of the second arm."];
const clamp = (value) => Math.min(1, Math.max(0, value));
const needs = (kind) => (kind === "zoom" ? 2 : NEEDS[kind]);

// `tool()`: a kind of drawing; "zoom" for a part of the picture; "change" for what is drawn already; empty for none.
// `parts(board)`: the SVG of what is on the picture. `made(kind, points)` gets what was drawn, in shares of the picture
// as filmed; it looks like `style()`, { colour, width }, meanwhile. `placing()`: a point is being placed. `say(words)`.
// `change`, for the tool of that name: take(spot, event) is whether something is held from now on, drag(by),
// drop(far enough), giveUp(), nudge(by), next(by), remove(), leave() whether something was left, hint() in words.
export function boardOver(video, { tool, parts, made, style, say, placing = () => {}, change = null }) {
  const svg = layer(video, { class: "drawings board asleep", tabindex: "-1", role: "application", "aria-label": "Picture to draw on: arrow keys move the cross, Enter places a point" });
  const at = placer(video);
  let region = null; // [x, y, width, height] of the picture as filmed
  let draft = null; // points placed so far
  let tip = null; // where the next one would go
  let cross = [0.5, 0.5], byKeys = false;
  let down = null; // where a press began: { spot, pointer, holds }

  const side = () => region?.[2] ?? 1;
  const unit = () => { // pixels of the picture in one of the screen's
    const { width, height } = svg.getBoundingClientRect();
    return Math.max(video.videoWidth * side() / (width || 1), video.videoHeight * side() / (height || 1));
  };
  const far = (a, b) => Math.hypot((a[0] - b[0]) * video.videoWidth, (a[1] - b[1]) * video.videoHeight) / unit(); // in the screen's

  // --- showing ---
  function fit() { // the part that is shown fills the screen
    const [x, y] = region ?? [0, 0], left = video.classList.contains("mirrored") ? 1 - x - side() : x;
    svg.setAttribute("viewBox", `${left * video.videoWidth} ${y * video.videoHeight} ${side() * video.videoWidth} ${side() * video.videoHeight}`);
    video.style.scale = String(1 / side());
    video.style.translate = `${(0.5 - left - side() / 2) / side() * 100}% ${(0.5 - y - side() / 2) / side() * 100}%`;
  }
  function sketch() { // what is being drawn
    const points = [...draft, ...(tip ? [tip] : [])];
    const kind = tool() === "zoom" ? "box" : tool() === "angle" && points.length < 3 ? "line" : tool();
    return picture({ ...style(), kind, points }, at, video.videoHeight);
  }
  function marker() {
    const [x, y] = at.to(cross), scale = unit(), arm = 14 * scale;
    const d = `M${x - arm} ${y}H${x + arm}M${x} ${y - arm}V${y + arm}`;
    return [make("path", { d, class: "cross under", "stroke-width": 4 * scale }), make("path", { d, class: "cross", "stroke-width": 2 * scale })];
  }
  function draw() {
    if (!video.videoWidth) return;
    fit();
    const all = parts(self);
    if (draft && tool() !== "text") all.push(sketch());
    if (byKeys && tool() && tool() !== "change" && document.activeElement === svg) all.push(...marker());
    svg.replaceChildren(...all);
  }
  function hint() {
    const kind = tool(), left = kind && kind !== "change" ? needs(kind) - (draft?.length ?? 0) : 0;
    if (!kind) return;
    if (kind === "change") say(change.hint());
    else if (kind === "path") say("Draw with the finger or mouse held down; by keys, Enter places each point and twice at one place ends it.");
    else if (kind === "text") say("Point to where the words begin.");
    else if (kind === "angle") say(ANGLE[left]);
    else say(left === 1 ? "Now the second point." : `Drag from ${DRAG[kind] ?? "end to end"}, or place two points.`);
  }

  // --- placing ---
  function placed(point) {
    draft = [...(draft ?? []), point];
    if (draft.length >= needs(tool())) finish(); else hint();
    draw();
  }
  function finish() {
    const kind = tool(), points = kind === "path" ? simpler(draft, far) : draft;
    draft = tip = null;
    if (kind !== "text" && (points.length < 2 || (points.length === 2 && far(...points) < 2))) return;
    hint();
    made(kind, points);
  }
  function back() { // the last point is taken back
    draft = draft.length > 1 ? draft.slice(0, -1) : null;
    if (!draft) tip = null;
    hint();
  }
  function giveUp() { draft = tip = null; hint(); draw(); }

  // --- finger and mouse ---
  const shareOf = (e) => {
    const spot = new DOMPoint(e.clientX, e.clientY).matrixTransform(svg.getScreenCTM().inverse());
    return at.from([spot.x, spot.y]).map(clamp);
  };
  svg.addEventListener("pointerdown", (e) => {
    if (!tool() || e.button > 0 || down) return;
    e.preventDefault();
    svg.focus({ preventScroll: true });
    svg.setPointerCapture(e.pointerId);
    byKeys = false;
    placing();
    const spot = shareOf(e), holds = tool() === "change";
    if (holds && !change.take(spot, e)) return;
    down = { spot, pointer: e.pointerId, holds };
    if (holds) return;
    tip = null;
    if (tool() === "path") { draft = [spot]; draw(); } else placed(spot);
  });
  svg.addEventListener("pointermove", (e) => {
    if (!tool() || (down && e.pointerId !== down.pointer)) return;
    const spot = shareOf(e);
    if (down?.holds) change.drag([spot[0] - down.spot[0], spot[1] - down.spot[1]]);
    else if (!draft) return;
    else if (tool() !== "path") tip = spot;
    else if (down && far(spot, draft.at(-1)) >= 3 && draft.length < MOST_POINTS) draft.push(spot);
    draw();
  });
  svg.addEventListener("pointerup", (e) => {
    if (!down || e.pointerId !== down.pointer) return;
    const { spot: from, holds } = down, spot = shareOf(e);
    down = null;
    if (holds) change.drop(far(from, spot) >= 1);
    else if (tool() === "path") { if (draft) finish(); } else if (draft && far(from, spot) > 4) { tip = null; placed(spot); }
    draw();
  });
  svg.addEventListener("pointercancel", () => {
    if (down?.holds) change.giveUp();
    down = null;
    giveUp();
  });

  // --- keys ---
  function move(way, shift) {
    const pixels = shift ? 1 : video.videoHeight / 50 * side(), mirror = video.classList.contains("mirrored") ? -1 : 1;
    const by = [way[0] * mirror * pixels / video.videoWidth, way[1] * pixels / video.videoHeight];
    if (tool() === "change") return change.nudge(by);
    cross = [clamp(cross[0] + by[0]), clamp(cross[1] + by[1])];
    if (draft) tip = cross;
    say(`cross at ${Math.round(cross[0] * 100)} % from the left, ${Math.round(cross[1] * 100)} % from the top`);
  }
  function place(shift) {
    if (tool() === "change") return change.next(shift ? -1 : 1);
    placing();
    if (tool() === "path" && draft?.length > 1 && far(draft.at(-1), cross) < 1) finish(); else placed([...cross]);
  }
  svg.addEventListener("keydown", (e) => {
    if (e.ctrlKey || e.metaKey || e.altKey || !tool()) return;
    byKeys = true;
    if (WAYS[e.key]) move(WAYS[e.key], e.shiftKey);
    else if (e.key === "Enter" || e.key === " ") place(e.shiftKey);
    else if (e.key === "Backspace" && draft) back();
    else if (e.key === "Escape" && draft) { down = null; giveUp(); }
    else if (e.key === "Escape" && change?.leave()) ; // said and drawn by who left it
    else if (e.key === "Delete" && tool() === "change") change.remove();
    else return;
    e.preventDefault();
    e.stopPropagation();
    draw();
  });
  svg.addEventListener("focus", () => { if (svg.matches(":focus-visible")) byKeys = true; draw(); });
  svg.addEventListener("blur", draw);
  video.addEventListener("loadedmetadata", draw);
  new MutationObserver(draw).observe(video, { attributeFilter: ["class"] });
  new ResizeObserver(draw).observe(svg);

  const self = {
    svg, at, far, unit, draw, hint,
    // Another tool. With one the picture is drawn on; without, it is pressed to play.
    chosen() {
      draft = tip = null;
      svg.classList.toggle("asleep", !tool());
      svg.tabIndex = tool() ? 0 : -1;
      hint();
      draw();
    },
    // The part of the picture that is shown; null for all of it.
    zoom(part) { region = part; draw(); },
  };
  return self;
}

// The part of the picture between two points, of the picture's own shape and inside it.
export function partOf([a, b]) {
  const side = Math.min(1, Math.max(Math.abs(a[0] - b[0]), Math.abs(a[1] - b[1]), 0.1));
  const low = [0, 1].map((n) => Math.min(Math.max(0, (a[n] + b[n]) / 2 - side / 2), 1 - side));
  return side > 0.98 ? null : [low[0], low[1], side, side];
}
