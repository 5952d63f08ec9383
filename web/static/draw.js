// The drawing page: place points with finger, mouse or keys; everything is kept at once and can be undone.
import { stage } from "./player.js";
import { NEEDS, layer, make, picture, placer } from "./draw_shapes.js";
import { handles, shares, simpler } from "./draw_points.js";
import { steps } from "./draw_steps.js";

const APART = 30; // pixels of the screen between a path's handles at least
const MANY = 60; // points up to which keys visit them all

const place = document.querySelector(".stage");
const video = place.querySelector("video");
const problem = document.querySelector("[data-problem]");
const how = document.querySelector("[data-how]");
const list = document.querySelector("[data-list]");
const fresh = document.querySelector("[data-new]");
const form = document.querySelector("[data-one]");
const measure = document.querySelector("[data-measure]");
const tools = [...document.querySelectorAll("[name=tool]")];
const player = stage(place);
const svg = layer(video, { class: "drawings board", tabindex: "0", role: "application", "aria-label": "Picture to draw on: arrow keys move the cross, Enter places a point" });
const at = placer(video);

let frames, zero, frame = 0;
let drawings = []; // as the server keeps them
let chosen = null, part = 0; // id of the chosen one; which of its points: 0 is the whole, 1 the first
let draft = null; // points placed so far, in shares of the picture
let tip = null; // where the next point would go
let cross = [0.5, 0.5], byKeys = false;

const tool = () => tools.find((one) => one.checked).value;
const one = (id) => drawings.find((drawing) => drawing.id === id);
const usAt = (number) => zero + frames.times[number];
const clamp = (value) => Math.min(1, Math.max(0, value));
const unit = () => { // pixels of the picture in one of the screen's
  const { width, height } = svg.getBoundingClientRect();
  return Math.max(video.videoWidth / (width || 1), video.videoHeight / (height || 1));
};

// --- keeping ---
async function send(address, body) {
  const answer = await fetch(address, { method: "POST", headers: { "X-Form-Key": place.dataset.key, "Content-Type": "application/json", Accept: "application/json" }, body: JSON.stringify(body ?? {}) });
  const told = await answer.json().catch(() => ({ message: `The library answered ${answer.status}.` }));
  if (!answer.ok) throw new Error(told.message);
  return told;
}
const plain = ({ kind, points, from, until, colour, width, text, shots }) => ({ kind, points, from, until, colour, width, ...(text ? { text } : {}), ...(shots ? { shots } : {}) });
const address = (id, what = "") => `${place.dataset.add}/${id}${what}`;
function put(kept) {
  const old = drawings.findIndex((drawing) => drawing.id === kept.id);
  if (old < 0) drawings.push(kept); else drawings[old] = kept;
  drawings.sort((a, b) => a.id - b.id);
}
const off = (id) => { drawings = drawings.filter((drawing) => drawing.id !== id); if (chosen === id) choose(null); };
const acts = {
  remove: (id) => send(address(id, "/remove")).then(() => off(id)),
  restore: (id) => send(address(id, "/restore")).then(put),
  write: (id, values) => send(address(id), plain(values)).then(put),
};
const history = steps({
  undo: document.querySelector("[data-undo]"),
  redo: document.querySelector("[data-redo]"),
  failed: (error) => { problem.textContent = error.message; problem.hidden = false; return reload(); },
  settled: (fine) => { if (fine) problem.hidden = true; refresh(); },
});
function add(kind, points) {
  const values = new FormData(fresh), lasts = values.get("lasts"), text = values.get("text").trim();
  if (kind === "text" && !text) {
    say("A text needs words: write them beside “Words”, then place it again.");
    fresh.elements.text.focus();
    return;
  }
  const end = frames.times.length - 1;
  const from = lasts === "clip" ? usAt(0) : usAt(frame);
  const until = lasts === "clip" ? usAt(end) : lasts === "frame" ? usAt(frame + 1) : Math.min(from + 2_000_000, usAt(end));
  const drawing = { kind, points, from: from / 1e6, until: until / 1e6, colour: values.get("colour"), width: Number(values.get("width")), text };
  let id;
  history.run({
    first: () => send(place.dataset.add, plain(drawing)).then((kept) => { id = kept.id; put(kept); choose(id); }),
    again: () => acts.restore(id),
    back: () => acts.remove(id),
  });
}
function remove(id) {
  history.run({ first: () => acts.remove(id), again: () => acts.remove(id), back: () => acts.restore(id) });
}
function change(id, before, after) {
  put({ ...after });
  history.run({ first: () => acts.write(id, after), again: () => acts.write(id, after), back: () => acts.write(id, before) });
}
const reload = () => fetch(place.dataset.kept).then((answer) => answer.json()).then((told) => { drawings = told.drawings; zero = told.zero; });

// --- showing ---
const visible = (drawing) => drawing.from_us <= usAt(frame) && usAt(frame) < drawing.until_us;
function say(text) { how.textContent = text; }
function hint() {
  const kind = tool();
  if (kind === "change") return say(chosen === null ? "Choose a drawing in the picture or in the list." : "Drag the drawing or one of its points; arrow keys move it too, and Enter goes on to the next point.");
  const left = NEEDS[kind] - (draft?.length ?? 0);
  if (kind === "path") return say("Draw with the finger or mouse held down; by keys, Enter places each point and twice at one place ends it.");
  if (kind === "text") return say("Point to where the words begin.");
  if (kind === "angle") return say(["", "Now the end of the second arm.", "Now the corner.", "Place the end of the first arm, the corner, then the end of the second arm."][left]);
  say(left === 1 ? "Now the second point." : `Drag from ${{ circle: "the middle to the rim", box: "corner to corner", arrow: "tail to head" }[kind] ?? "end to end"}, or place two points.`);
}
function draw() {
  if (!frames || !video.videoWidth) return;
  const high = video.videoHeight, scale = unit(), changing = tool() === "change";
  svg.classList.toggle("changing", changing);
  const shown = drawings.filter((drawing) => visible(drawing) || drawing.id === chosen);
  const made = shown.map((drawing) => {
    const group = picture(drawing, at, high);
    group.dataset.id = drawing.id;
    if (drawing.id === chosen) group.classList.add("chosen");
    if (changing) {
      const line = group.querySelector(".ink");
      if (line) group.append(make("path", { d: line.getAttribute("d"), class: "grab", "stroke-width": 24 * scale }));
    }
    return group;
  });
  const kept = one(chosen);
  if (kept && changing) {
    const radius = kept.points.length > 3 ? 6 : 8;
    held(kept).forEach((n) => {
      const [cx, cy] = at.to(kept.points[n]);
      const handle = make("circle", { cx, cy, r: radius * scale, class: `handle${part === n + 1 ? " current" : ""}`, "stroke-width": 2 * scale });
      handle.dataset.point = n;
      made.push(handle);
    });
  }
  if (draft || tip) {
    const points = [...(draft ?? []), ...(tip ? [tip] : [])];
    if (draft?.length && tool() !== "text") made.push(picture({ kind: points.length < 3 && tool() === "angle" ? "line" : tool(), points, colour: fresh.elements.colour.value, width: Number(fresh.elements.width.value) }, at, high));
  }
  if (byKeys && document.activeElement === svg && !changing) {
    const [x, y] = at.to(cross), arm = 14 * scale;
    const d = `M${x - arm} ${y}H${x + arm}M${x} ${y - arm}V${y + arm}`;
    made.push(make("path", { d, class: "cross under", "stroke-width": 4 * scale }), make("path", { d, class: "cross", "stroke-width": 2 * scale }));
  }
  svg.replaceChildren(...made);
}
const named = (drawing) => `${drawing.kind} ${drawing.id}${drawing.text ? ` “${drawing.text}”` : ""}`;
const frameOf = (us) => { let n = 0; while (n < frames.times.length - 2 && usAt(n + 1) <= us) n += 1; return n; };
function refresh() {
  const items = drawings.map((drawing) => {
    const item = document.createElement("li");
    const pick = Object.assign(document.createElement("button"), { type: "button", className: "pick-drawing" });
    pick.setAttribute("aria-pressed", String(drawing.id === chosen));
    pick.dataset.pickDrawing = drawing.id;
    const sample = Object.assign(document.createElement("span"), { className: "sample" });
    sample.style.background = drawing.colour;
    pick.append(sample, `${named(drawing)}, frame ${frames.first + frameOf(drawing.from_us)} to ${frames.first + frameOf(drawing.until_us - 1)}`);
    const away = Object.assign(document.createElement("button"), { type: "button", className: "away-one", textContent: "×" });
    away.dataset.away = drawing.id;
    away.setAttribute("aria-label", `Remove ${named(drawing)}`);
    item.append(pick, away);
    return item;
  });
  const focused = document.activeElement?.dataset?.pickDrawing;
  list.replaceChildren(...items);
  if (focused) list.querySelector(`[data-pick-drawing="${focused}"]`)?.focus();
  document.querySelector("[data-none]").hidden = drawings.length > 0;
  fill();
  lines();
  hint();
  draw();
}
function offer(select, value, text = value) {
  if (![...select.options].some((option) => option.value === value)) select.add(new Option(text, value));
  select.value = value;
}
function fill() {
  const kept = one(chosen);
  form.hidden = !kept;
  if (!kept) return;
  document.querySelector("[data-name]").textContent = `Change ${named(kept)}`;
  const fields = form.elements;
  offer(fields.colour, kept.colour);
  offer(fields.width, String(kept.width), `${Math.round(kept.width * 1000) / 10} % of the height`);
  if (document.activeElement !== fields.text) fields.text.value = kept.text ?? "";
  fields.first.value = frames.first + frameOf(kept.from_us);
  fields.last.value = frames.first + frameOf(kept.until_us - 1);
  for (const name of ["first", "last"]) { fields[name].min = frames.first; fields[name].max = frames.first + frames.times.length - 2; }
}
function choose(id) {
  chosen = id;
  part = 0;
  const kept = one(id);
  if (kept && !visible(kept)) player.goTo(frameOf(kept.from_us));
}

// --- measuring ---
function lines() {
  const good = drawings.filter((drawing) => ["line", "arrow", "path"].includes(drawing.kind));
  measure.hidden = good.length < 3;
  if (measure.hidden) return;
  ["first", "second", "of"].forEach((name, n) => {
    const select = measure.elements[name], before = select.value;
    select.replaceChildren(...good.map((drawing) => new Option(named(drawing), drawing.id)));
    select.value = good.some((drawing) => String(drawing.id) === before) ? before : good[n].id;
  });
  share();
}
async function share() {
  const out = measure.querySelector("[data-share]");
  const answer = await fetch(`${place.dataset.share}?${new URLSearchParams(new FormData(measure))}`, { headers: { Accept: "application/json" } });
  const told = await answer.json();
  out.textContent = answer.ok ? `${told.share.toFixed(2)} of its length` : told.message;
}
measure.addEventListener("change", share);
measure.addEventListener("submit", (e) => e.preventDefault());

// --- pointing ---
const shareOf = (e) => {
  const spot = new DOMPoint(e.clientX, e.clientY).matrixTransform(svg.getScreenCTM().inverse());
  return at.from([spot.x, spot.y]).map(clamp);
};
const far = (a, b) => Math.hypot((a[0] - b[0]) * video.videoWidth, (a[1] - b[1]) * video.videoHeight) / unit();
function placed(point) {
  const kind = tool();
  draft = [...(draft ?? []), point];
  if (draft.length >= NEEDS[kind]) finish();
  else hint();
  draw();
}
function finish() {
  const kind = tool(), points = kind === "path" ? simpler(draft, far) : draft;
  draft = tip = null;
  if (kind === "path" && points.length < 2) return;
  if (kind !== "text" && points.length === 2 && far(...points) < 2) return;
  add(kind, points);
}
const giveUp = () => { draft = tip = null; hint(); draw(); };

let down = null; // the point where the press began, and what it moves
svg.addEventListener("pointerdown", (e) => {
  if (!frames || e.button > 0 || down) return;
  e.preventDefault();
  svg.focus({ preventScroll: true });
  svg.setPointerCapture(e.pointerId);
  byKeys = false;
  video.pause();
  const spot = shareOf(e);
  if (tool() !== "change") {
    down = { spot, pointer: e.pointerId };
    tip = null;
    if (tool() === "path") { draft = [spot]; return draw(); }
    return placed(spot);
  }
  const group = e.target.closest("[data-id]"), point = nearest(spot, e.pointerType === "touch" ? 22 : 10);
  if (point !== undefined) part = point + 1;
  else if (group) { if (chosen !== Number(group.dataset.id)) choose(Number(group.dataset.id)); part = 0; }
  else choose(null);
  if (one(chosen)) down = { spot, pointer: e.pointerId, before: one(chosen) };
  refresh();
});
svg.addEventListener("pointermove", (e) => {
  if (down && e.pointerId !== down.pointer) return;
  if (!frames) return;
  const spot = shareOf(e);
  if (down?.before) {
    const by = [spot[0] - down.spot[0], spot[1] - down.spot[1]];
    put(moved(down.before, by));
    return draw();
  }
  if (tool() === "change") return;
  if (tool() === "path" && down) {
    if (far(spot, draft.at(-1)) >= 3 && draft.length < 1500) draft.push(spot);
    return draw();
  }
  if (draft) { tip = spot; draw(); }
});
svg.addEventListener("pointerup", (e) => {
  if (!down || e.pointerId !== down.pointer) return;
  const { spot: from, before } = down, spot = shareOf(e);
  down = null;
  if (before) {
    const after = one(before.id);
    if (after && far(from, spot) >= 1) change(before.id, before, after); else if (after) { put(before); draw(); }
    return;
  }
  if (tool() === "path") return finish(), draw();
  if (draft && far(from, spot) > 4) { tip = null; placed(spot); }
});
svg.addEventListener("pointercancel", () => { if (down?.before) put(down.before); down = null; giveUp(); });

const held = (drawing) => handles(drawing.points, far, APART, part - 1);
function nearest(spot, reach) { // the chosen drawing's point under the pointer; undefined if there is none
  const kept = one(chosen);
  if (!kept) return undefined;
  const away = (n) => far(kept.points[n], spot);
  const found = held(kept).reduce((best, n) => away(n) < away(best) ? n : best);
  return away(found) <= (kept.points.length > 3 ? Math.min(reach, 13) : reach) ? found : undefined; // else the whole
}
function moved(drawing, [across, below]) {
  const much = part ? shares(drawing.points.length, held(drawing), part - 1) : null;
  const points = drawing.points.map(([x, y], n) => [x + across * (much?.[n] ?? 1), y + below * (much?.[n] ?? 1)]);
  return points.every((point) => point.every((value) => value >= -0.5 && value <= 1.5)) ? { ...drawing, points } : drawing;
}

// --- keys in the picture ---
function nextPoint(kept, by) {
  const apart = kept.points.length > MANY ? APART : 0;
  const places = [0, ...handles(kept.points, far, apart, -1).map((n) => n + 1)]; // 0 is the whole
  const now = places.findLastIndex((place) => place <= part);
  const next = (now + by + places.length) % places.length;
  part = places[next];
  say(next ? `point ${next} of ${places.length - 1}` : "the whole drawing");
}
const WAYS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
let nudged = null, nudging; // what the moved drawing was before the first of a row of key presses
function settleNudge() {
  clearTimeout(nudging);
  if (!nudged) return;
  const before = nudged, after = one(before.id);
  nudged = null;
  if (after) change(before.id, before, after);
}
svg.addEventListener("keydown", (e) => {
  if (e.ctrlKey || e.metaKey || e.altKey || !frames) return;
  const way = WAYS[e.key], changing = tool() === "change", kept = one(chosen);
  byKeys = true;
  if (way) {
    const pixels = e.shiftKey ? 1 : video.videoHeight / 50;
    const mirror = video.classList.contains("mirrored") ? -1 : 1;
    const by = [way[0] * mirror * pixels / video.videoWidth, way[1] * pixels / video.videoHeight];
    if (changing && kept) {
      nudged ??= kept;
      put(moved(kept, by));
      clearTimeout(nudging);
      nudging = setTimeout(settleNudge, 600);
    } else {
      cross = [clamp(cross[0] + by[0]), clamp(cross[1] + by[1])];
      if (draft) tip = cross;
      say(`cross at ${Math.round(cross[0] * 100)} % from the left, ${Math.round(cross[1] * 100)} % from the top`);
    }
  } else if (e.key === "Enter" || e.key === " ") {
    if (changing) {
      settleNudge();
      if (kept) nextPoint(kept, e.shiftKey ? -1 : 1);
    } else {
      video.pause();
      if (tool() === "path" && draft?.length > 1 && far(draft.at(-1), cross) < 1) finish();
      else placed([...cross]);
    }
  } else if (e.key === "Backspace" && draft) {
    draft = draft.length > 1 ? draft.slice(0, -1) : null;
    if (!draft) tip = null;
    hint();
  } else if (e.key === "Escape" && (draft || chosen !== null)) {
    if (draft) giveUp(); else { choose(null); refresh(); }
  } else if (e.key === "Delete" && changing && kept) remove(chosen);
  else return;
  e.preventDefault();
  e.stopPropagation();
  draw();
});
svg.addEventListener("focus", draw);
svg.addEventListener("blur", () => { settleNudge(); draw(); });

// --- the fields beside ---
for (const button of tools) button.addEventListener("change", () => { settleNudge(); draft = tip = null; if (tool() !== "change") chosen = null; refresh(); });
document.querySelector(".tools").addEventListener("keydown", (e) => e.stopPropagation()); // arrow keys choose there
list.addEventListener("click", (e) => {
  const { pickDrawing, away } = e.target.closest("button")?.dataset ?? {};
  if (away) return remove(Number(away));
  if (!pickDrawing) return;
  settleNudge();
  tools.find((button) => button.value === "change").checked = true;
  draft = tip = null;
  choose(Number(pickDrawing));
  refresh();
});
form.addEventListener("submit", (e) => e.preventDefault());
fresh.addEventListener("submit", (e) => e.preventDefault());
fresh.addEventListener("change", draw);
form.addEventListener("change", (e) => {
  const before = one(chosen), fields = form.elements;
  if (!before) return;
  const after = { ...before, colour: fields.colour.value, width: Number(fields.width.value), text: fields.text.value.trim() };
  if (["first", "last"].includes(e.target.name)) {
    const first = fields.first.valueAsNumber - frames.first, last = fields.last.valueAsNumber - frames.first, end = frames.times.length - 2;
    if (!(first >= 0 && first <= last && last <= end)) {
      problem.textContent = `The frames of this clip are ${frames.first} to ${frames.first + end}, and the last cannot lie before the first.`;
      problem.hidden = false;
      return fill();
    }
    if (e.target.name === "first") after.from_us = usAt(first); else after.until_us = usAt(last + 1);
    after.from = after.from_us / 1e6;
    after.until = after.until_us / 1e6;
  }
  change(chosen, before, after);
});
form.addEventListener("click", (e) => {
  const { here } = e.target.dataset;
  if (here) { form.elements[here].value = player.footageFrame(); form.elements[here].dispatchEvent(new Event("change", { bubbles: true })); }
  else if ("remove" in e.target.dataset) remove(chosen);
});
document.addEventListener("keydown", (e) => {
  if (!(e.ctrlKey || e.metaKey) || e.key.toLowerCase() !== "z" || e.target.matches("input:not([type=radio], [type=range]), textarea")) return;
  e.preventDefault();
  settleNudge();
  if (e.shiftKey) history.redo(); else history.undo();
});

place.addEventListener("frame", (e) => { frame = e.detail; draw(); });
video.addEventListener("loadedmetadata", draw);
new ResizeObserver(draw).observe(svg);
new MutationObserver(draw).observe(video, { attributeFilter: ["class"] });
Promise.all([player.ready, reload()]).then(([told]) => { frames = told; refresh(); place.dataset.drawing = "ready"; });
