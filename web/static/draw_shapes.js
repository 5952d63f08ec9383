// Drawings as SVG, by the same geometry that burns them into reels: strokes with a dark rim, labels beside them.
// Points are shares of the filmed picture; the SVG's own units are the picture's pixels.
const SVG = "http://www.w3.org/2000/svg";
export const NEEDS = { line: 2, arrow: 2, circle: 2, box: 2, angle: 3, path: Infinity, text: 1 };

export function make(name, attributes = {}, text = null) {
  const element = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  if (text !== null) element.textContent = text;
  return element;
}

// An SVG that lies on a video and shows its picture's pixels wherever the picture lies in the element.
export function layer(video, attributes) {
  const svg = make("svg", { preserveAspectRatio: "xMidYMid meet", ...attributes });
  const fit = () => { if (video.videoWidth) svg.setAttribute("viewBox", `0 0 ${video.videoWidth} ${video.videoHeight}`); };
  video.addEventListener("loadedmetadata", fit);
  fit();
  video.after(svg);
  return svg;
}

export function placer(video) {
  const mirrored = () => video.classList.contains("mirrored");
  return {
    to: ([x, y]) => [(mirrored() ? 1 - x : x) * video.videoWidth, y * video.videoHeight],
    from: ([x, y]) => [mirrored() ? 1 - x / video.videoWidth : x / video.videoWidth, y / video.videoHeight],
  };
}

const apart = ([x0, y0], [x1, y1]) => Math.hypot(x1 - x0, y1 - y0);
const along = ([x, y], turn, length) => [x + Math.cos(turn) * length, y + Math.sin(turn) * length];
const towards = ([x0, y0], [x1, y1]) => Math.atan2(y1 - y0, x1 - x0);

function arc(middle, radius, first, turn) {
  const steps = Math.max(8, Math.ceil(Math.abs(turn) * Math.max(1, radius) / 3));
  return Array.from({ length: steps + 1 }, (_, k) => along(middle, first + turn * k / steps, radius));
}

// Strokes (rows of points) and labels [text, x, y of the lower left], in pixels.
function shape(drawing, points, width) {
  const beside = ([x, y]) => drawing.text?.trim() ? [[drawing.text, x + 2 * width, y - 2 * width]] : [];
  const [a, b, c] = points;
  if (drawing.kind === "text") return [[], [[drawing.text?.trim() || " ", ...a]]];
  if (!b) return [[[a]], []];
  if (drawing.kind === "arrow") {
    const length = apart(a, b);
    if (!length) return [[[a, b]], beside(b)];
    const barb = Math.min(length * 0.5, width * 4), back = towards(b, a);
    return [[[a, b], [along(b, back - 0.5, barb), b, along(b, back + 0.5, barb)]], beside(b)];
  }
  if (drawing.kind === "circle") return [[arc(a, apart(a, b), 0, 2 * Math.PI)], beside(b)];
  if (drawing.kind === "box") return [[[a, [b[0], a[1]], b, [a[0], b[1]], a]], beside(b)];
  if (drawing.kind === "angle" && c) {
    const first = towards(b, a), full = 2 * Math.PI;
    const turn = (((towards(b, c) - first + Math.PI) % full) + full) % full - Math.PI;
    const radius = 0.3 * Math.min(apart(a, b), apart(c, b));
    const label = along(b, first + turn / 2, radius * 1.6);
    return [[[a, b, c], arc(b, radius, first, turn)], [[`${Math.round(Math.abs(turn) * 180 / Math.PI)}°`, ...label]]];
  }
  return [[points], beside(points.at(-1))];
}

export function picture(drawing, place, height) {
  const width = Math.max(1.5, (drawing.width || 0.006) * height);
  const [strokes, labels] = shape(drawing, drawing.points.map(place.to), width);
  const group = make("g", { class: "drawn" });
  const line = strokes.map((row) => "M" + row.map(([x, y]) => `${x.toFixed(2)} ${y.toFixed(2)}`).join("L") + (row.length === 1 ? "z" : "")).join("");
  if (line) {
    group.append(make("path", { d: line, class: "rim", "stroke-width": width * 1.7 }));
    group.append(make("path", { d: line, class: "ink", stroke: drawing.colour, "stroke-width": width }));
  }
  const size = Math.max(11, Math.round(height * 0.05));
  for (const [text, x, y] of labels) {
    group.append(make("text", { x, y, fill: drawing.colour, "font-size": size, "stroke-width": Math.max(1, Math.round(size / 12)) * 2 }, text));
  }
  return group;
}
