// The clip page. Frames, clock and seeking go by the footage's own timestamps, which the server sends.
import "./cards.js";
import { momentOf } from "./moment.js";
import "./share.js";
import "./tray.js";
import { drawn } from "./draw_show.js";
import { stage } from "./player.js";

const place = document.querySelector(".stage");
const player = place ? stage(place) : null;
player?.ready.then((frames) => {
  const show = drawn(place.querySelector("video"), place.dataset.drawings, frames, player.frame);
  place.addEventListener("frame", show);
});

// --- to the next of the list, and back ---
place?.addEventListener("keydown", (e) => {
  if (e.ctrlKey || e.metaKey || e.altKey || e.shiftKey) return;
  const way = { n: "next", p: "prev", PageDown: "next", PageUp: "prev" }[e.key];
  const link = way && document.querySelector(`.beside a[rel=${way}]`);
  if (link) { e.preventDefault(); link.click(); }
});

// --- a link to a moment ---
if (player) {
  const there = (frames) => { const at = momentOf(location.hash); if (at !== null) player.goTo(player.frameAt(at - frames.zero / 1e6)); };
  player.ready.then((frames) => { there(frames); addEventListener("hashchange", () => there(frames)); });
}

// --- in and out ---
const cut = document.querySelector("[data-cut]");
if (cut && player) {
  let wait;
  const show = (field) => {
    clearTimeout(wait);
    wait = setTimeout(() => {
      if (field.validity.valid) field.closest("fieldset").querySelector("img").src = cut.dataset.cut.replace(/\d+\.jpg$/, `${field.value}.jpg`);
    }, 200);
  };
  player.ready.then((frames) => { for (const field of cut.querySelectorAll("input[type=number]")) field.max = frames.footage_frames - 1; });
  cut.addEventListener("input", (e) => { if (e.target.type === "number") show(e.target); });
  cut.addEventListener("click", (e) => {
    const field = e.target.closest("fieldset")?.querySelector("input[type=number]");
    if (!field) return;
    if (e.target.dataset.by) field.value = Math.min(Math.max(0, field.valueAsNumber + Number(e.target.dataset.by)), Number(field.max || 1e9));
    else if (e.target.hasAttribute("data-here")) field.value = player.footageFrame();
    else return;
    show(field);
  });
}

// --- actions ---
document.querySelector("[data-lines]")?.addEventListener("click", (e) => {
  if (!e.target.hasAttribute("data-here") || !player) return;
  e.target.closest("fieldset").querySelector("[name=time]").value = player.footageTime();
});
