// The search page: completions, clips that play in place, picking clips for a reel.
import { settle } from "./video.js";

// --- completions: an editable combobox with a list (WAI-ARIA practices) ---
const box = document.querySelector("#q");
const offers = document.querySelector("#offers");
let asked = 0, chosen = -1;

function close() {
  offers.hidden = true;
  chosen = -1;
  box.setAttribute("aria-expanded", "false");
  box.removeAttribute("aria-activedescendant");
}

function mark(index) {
  const rows = [...offers.children];
  chosen = (index + rows.length) % rows.length;
  rows.forEach((row, i) => row.setAttribute("aria-selected", String(i === chosen)));
  box.setAttribute("aria-activedescendant", rows[chosen].id);
  rows[chosen].scrollIntoView({ block: "nearest" });
}

function take(row) {
  box.value = row.textContent;
  close();
  box.focus();
}

let wait;
box.addEventListener("input", () => {
  clearTimeout(wait);
  wait = setTimeout(async () => {
    const mine = ++asked;
    if (!box.value.trim()) return close();
    const answer = await fetch(`${box.dataset.complete}?q=${encodeURIComponent(box.value)}`);
    if (!answer.ok || mine !== asked || document.activeElement !== box) return;
    const texts = await answer.json();
    offers.replaceChildren(...texts.slice(0, 8).map((text, i) => {
      const row = document.createElement("li");
      row.role = "option";
      row.id = `offer-${i}`;
      row.textContent = text;
      row.addEventListener("pointerdown", (e) => { e.preventDefault(); take(row); });
      return row;
    }));
    chosen = -1;
    offers.hidden = !texts.length;
    box.setAttribute("aria-expanded", String(texts.length > 0));
  }, 120);
});
box.addEventListener("keydown", (e) => {
  if (offers.hidden) return;
  if (e.key === "ArrowDown") { e.preventDefault(); mark(chosen + 1); }
  else if (e.key === "ArrowUp") { e.preventDefault(); mark(chosen < 0 ? offers.children.length - 1 : chosen - 1); }
  else if (e.key === "Escape") { e.preventDefault(); close(); }
  else if (e.key === "Enter" && chosen >= 0) { e.preventDefault(); take(offers.children[chosen]); }
});
box.addEventListener("blur", close);

// --- a card's picture becomes its player ---
for (const picture of document.querySelectorAll("[data-play]")) {
  picture.addEventListener("click", () => {
    for (const other of document.querySelectorAll(".card video")) other.pause();
    const video = document.createElement("video");
    Object.assign(video, { src: picture.dataset.play, controls: true, playsInline: true, loop: true, className: "picture" });
    video.setAttribute("aria-label", picture.getAttribute("aria-label"));
    settle(video);
    picture.replaceWith(video);
    video.focus();
    video.play().catch(() => {});
  });
}

// --- picking: kept for the visit, across searches ---
const KEY = "cliplib.picked";
const tray = document.querySelector(".tray");
const read = () => JSON.parse(sessionStorage.getItem(KEY) || "[]");

function show() {
  const picked = read();
  tray.hidden = !picked.length;
  tray.querySelector("[data-picked]").textContent = picked.length;
  tray.elements.clips.value = picked.join(",");
  for (const tick of document.querySelectorAll("[data-pick]")) tick.checked = picked.includes(Number(tick.dataset.pick));
}

for (const tick of document.querySelectorAll("[data-pick]")) {
  tick.addEventListener("change", () => {
    const id = Number(tick.dataset.pick);
    const others = read().filter((n) => n !== id);
    sessionStorage.setItem(KEY, JSON.stringify(tick.checked ? [...others, id] : others));
    show();
  });
}
tray.querySelector("[data-clear]").addEventListener("click", () => { sessionStorage.removeItem(KEY); show(); });
tray.addEventListener("submit", () => sessionStorage.removeItem(KEY));
addEventListener("pageshow", show);
show();
