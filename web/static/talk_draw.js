// Drawing on the picture while somebody talks: with finger, mouse or keys; and the part of the picture that is shown.
import { NEEDS, layer, make, picture, placer } from "./draw_shapes.js";
import { simpler } from "./draw_points.js";

const WAYS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
const clamp = (value) => Math.min(1, Math.max(0, value));

// A board over one video. `tool()` is the kind of drawing or "zoom", empty for none; `style()` { colour, width,
// text }. `made(kind, points)` gets what was drawn, in shares of the picture as filmed.
export function board(video, { tool, style, made, say }) {
  const svg = layer(video, { class: "drawings board", tabindex: "-1", role: "application", "aria-label": "Picture to draw on: arrow keys move the cross, Enter places a point" });
  const at = placer(video);
  let shown = [], region = null; // drawings; [x, y, width, height] of the picture as filmed
  let draft = null, tip = null, cross = [0.5, 0.5], byKeys = false, down = null;

  const unit = () => { // pixels of the picture in one of the screen's
    const { width, height } = svg.getBoundingClientRect(), side = region?.[2] ?? 1;
    return Math.max(video.videoWidth * side / (width || 1), video.videoHeight * side / (height || 1));
  };
  const far = (a, b) => Math.hypot((a[0] - b[0]) * video.videoWidth, (a[1] - b[1]) * video.videoHeight) / unit();

  function fit() { // the part that is shown fills the screen
    if (!video.videoWidth) return;
    const [x, y, side] = region ? [region[0], region[1], region[2]] : [0, 0, 1];
    const left = video.classList.contains("mirrored") ? 1 - x - side : x;
    svg.setAttribute("viewBox", `${left * video.videoWidth} ${y * video.videoHeight} ${side * video.videoWidth} ${side * video.videoHeight}`);
    video.style.scale = String(1 / side);
    video.style.translate = `${(0.5 - left - side / 2) / side * 100}% ${(0.5 - y - side / 2) / side * 100}%`;
  }
  function draw() {
    if (!video.videoWidth) return;
    fit();
    const high = video.videoHeight, scale = unit();
    const parts = shown.map((one) => picture(one, at, high));
    const points = [...(draft ?? []), ...(tip ? [tip] : [])];
    if (draft?.length && points.length > 1) {
      const kind = tool() === "zoom" ? "box" : tool();
      parts.push(picture({ ...style(), text: "", kind, points: kind === "path" ? draft : points }, at, high));
    }
    if (byKeys && tool() && document.activeElement === svg) {
      const [x, y] = at.to(cross), arm = 14 * scale;
      const d = `M${x - arm} ${y}H${x + arm}M${x} ${y - arm}V${y + arm}`;
      parts.push(make("path", { d, class: "cross under", "stroke-width": 4 * scale }), make("path", { d, class: "cross", "stroke-width": 2 * scale }));
    }
    svg.replaceChildren(...parts);
  }
  function hint() {
    const kind = tool(), left = kind === "path" ? 0 : (kind === "zoom" ? 2 : NEEDS[kind]) - (draft?.length ?? 0);
    if (kind === "path") say("Draw with finger or mouse held down. By keys, Enter places each point, and twice at one place ends it.");
    else if (kind === "text") say("Point to where the words begin.");
    else if (kind) say(left === 1 ? "Now the second point." : "Drag, or place two points.");
  }
  function placed(point) {
    draft = [...(draft ?? []), point];
    if (draft.length >= (tool() === "zoom" ? 2 : NEEDS[tool()])) finish(); else hint();
    draw();
  }
  function finish() {
    const kind = tool(), points = kind === "path" ? simpler(draft, far) : draft;
    draft = tip = null;
    if (kind !== "text" && (points.length < 2 || (points.length === 2 && far(...points) < 2))) return;
    made(kind, points);
    hint();
  }
  const giveUp = () => { draft = tip = down = null; draw(); };

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
    down = { spot: shareOf(e), pointer: e.pointerId };
    tip = null;
    if (tool() === "path") { draft = [down.spot]; draw(); } else placed(down.spot);
  });
  svg.addEventListener("pointermove", (e) => {
    if (!tool() || (down && e.pointerId !== down.pointer)) return;
    const spot = shareOf(e);
    if (tool() === "path") { if (down && draft && far(spot, draft.at(-1)) >= 3 && draft.length < 1500) draft.push(spot); } else if (draft) tip = spot;
    if (draft) draw();
  });
  svg.addEventListener("pointerup", (e) => {
    if (!down || e.pointerId !== down.pointer) return;
    const from = down.spot, spot = shareOf(e);
    down = null;
    if (tool() === "path") { if (draft) finish(); } else if (draft && far(from, spot) > 4) { tip = null; placed(spot); }
    draw();
  });
  svg.addEventListener("pointercancel", giveUp);
  svg.addEventListener("keydown", (e) => {
    if (e.ctrlKey || e.metaKey || e.altKey || !tool()) return;
    const way = WAYS[e.key];
    byKeys = true;
    if (way) {
      const share = e.shiftKey ? 1 / 400 : 1 / 50, mirror = video.classList.contains("mirrored") ? -1 : 1, side = region?.[2] ?? 1;
      cross = [clamp(cross[0] + way[0] * mirror * share * side), clamp(cross[1] + way[1] * share * side)];
      if (draft) tip = cross;
      say(`cross at ${Math.round(cross[0] * 100)} % from the left, ${Math.round(cross[1] * 100)} % from the top`);
    } else if (e.key === "Enter" || e.key === " ") {
      if (tool() === "path" && draft?.length > 1 && far(draft.at(-1), cross) < 1) finish(); else placed([...cross]);
    } else if (e.key === "Escape" && draft) giveUp();
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

  return {
    // With a tool the picture is drawn on; without, it is pressed to play.
    chosen() {
      draft = tip = null;
      svg.classList.toggle("asleep", !tool());
      svg.tabIndex = tool() ? 0 : -1;
      hint();
      draw();
    },
    show(drawings, part) { [shown, region] = [drawings, part]; draw(); },
    middle: () => region ? [region[0] + region[2] / 2, region[1] + region[2] / 2] : cross,
  };
}

// The part of the picture between two points, of the picture's own shape and inside it.
export function partOf([a, b]) {
  const side = Math.min(1, Math.max(Math.abs(a[0] - b[0]), Math.abs(a[1] - b[1]), 0.1));
  const low = [0, 1].map((n) => Math.min(Math.max(0, (a[n] + b[n]) / 2 - side / 2), 1 - side));
  return side > 0.98 ? null : [low[0], low[1], side, side];
}
