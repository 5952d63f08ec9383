// Result cards: a silent look on hover or focus, playing in place, and moving about by keys.
import { settle } from "./video.js";

const PATIENCE = 300; // milliseconds before a look begins, so that passing over starts nothing
const calm = matchMedia("(prefers-reduced-motion: reduce)");
let waiting, playing = null; // the picture that shows its video

function start(picture, sound) {
  if (playing && playing !== picture) stop(playing);
  playing = picture;
  let video = picture.querySelector("video");
  if (!video) {
    video = document.createElement("video");
    Object.assign(video, { src: picture.dataset.play, playsInline: true, loop: true, muted: !sound, disablePictureInPicture: true, tabIndex: -1 });
    video.setAttribute("aria-hidden", "true"); // the button says what it is
    settle(video);
    picture.append(video);
  }
  video.muted = !sound;
  picture.setAttribute("aria-pressed", String(sound));
  picture.classList.add("moving");
  video.play().catch(() => {});
}

function stop(picture) {
  const video = picture.querySelector("video");
  if (video) {
    video.pause();
    video.removeAttribute("src"); // lets go of the connection
    video.load();
    video.remove();
  }
  picture.setAttribute("aria-pressed", "false");
  picture.classList.remove("moving");
  if (playing === picture) playing = null;
}

const chosen = (picture) => picture.getAttribute("aria-pressed") === "true";

function look(picture) {
  clearTimeout(waiting);
  if (calm.matches || chosen(picture)) return;
  waiting = setTimeout(() => start(picture, false), PATIENCE);
}

function leave(picture) {
  clearTimeout(waiting);
  if (!chosen(picture)) stop(picture);
}

/** Brings the pictures in a part of the page to life. */
export function pictures(within) {
  for (const picture of within.querySelectorAll("[data-play]")) alive(picture);
}

function alive(picture) {
  picture.addEventListener("click", () => {
    clearTimeout(waiting);
    chosen(picture) ? stop(picture) : start(picture, true);
  });
  picture.addEventListener("pointerenter", (e) => { if (e.pointerType === "mouse") look(picture); });
  picture.addEventListener("pointerleave", () => { if (document.activeElement !== picture) leave(picture); });
  picture.addEventListener("focus", () => { if (picture.matches(":focus-visible")) look(picture); });
  picture.addEventListener("blur", () => leave(picture));
}
pictures(document);

// --- keys, while the focus is in a card ---
const cards = [...document.querySelectorAll(".card")];
const handle = (card) => card.querySelector("[data-play], [data-open]");

function beside(card, key) {
  const at = cards.indexOf(card);
  if (key === "ArrowLeft") return cards[at - 1];
  if (key === "ArrowRight") return cards[at + 1];
  const here = card.getBoundingClientRect();
  const down = key === "ArrowDown";
  const rows = cards.filter((c) => down ? c.getBoundingClientRect().top > here.top + 4 : c.getBoundingClientRect().top < here.top - 4);
  const away = (c) => {
    const there = c.getBoundingClientRect();
    return Math.abs(there.top - here.top) * 10 + Math.abs(there.left - here.left);
  };
  return rows.sort((a, b) => away(a) - away(b))[0];
}

for (const card of cards) {
  card.addEventListener("keydown", (e) => {
    if (e.ctrlKey || e.metaKey || e.altKey || e.target.matches("input[type=text]")) return;
    if (e.key.startsWith("Arrow")) {
      const other = beside(card, e.key);
      if (other) { e.preventDefault(); handle(other).focus(); other.scrollIntoView({ block: "nearest" }); }
      else if (e.key === "ArrowUp") { const box = document.querySelector("#q"); if (box) { e.preventDefault(); box.focus(); } }
    } else if (e.key === "p" || e.key === "P") card.querySelector("[data-pick]")?.click();
    else if (e.key === "o" || e.key === "O") card.querySelector("[data-open]").click();
    else if (e.key === "s" || e.key === "S") card.querySelector("[data-show]")?.click();
  });
}
