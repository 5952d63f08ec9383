// Arranging a reel: order by dragging or by keys, cut, leave out; the total time goes along.
import { reorder } from "./reorder.js";

const form = document.querySelector(".arrange");
const list = form?.querySelector(".rows");
const said = form?.querySelector("[data-said]");
const rows = () => [...list.children];

function tell(row) {
  said.textContent = `clip ${row.dataset.row} is now number ${rows().indexOf(row) + 1} of ${rows().length}`;
}

function clock(us) {
  const seconds = Math.round(us / 1e6);
  return `${Math.floor(seconds / 60)}:${String(seconds % 60).padStart(2, "0")}`;
}

function total() {
  let us = 0;
  for (const row of rows()) {
    const count = row.querySelector("[data-last]").valueAsNumber - row.querySelector("[data-first]").valueAsNumber + 1;
    if (count > 0) us += count * Number(row.dataset.frameUs);
  }
  form.querySelector("[data-total-time]").textContent = `${rows().length} ${rows().length === 1 ? "clip" : "clips"}, ${clock(us)} of film`;
}

if (form) {
  reorder(list, { rows: ".row", moved: tell });
  list.addEventListener("click", (e) => {
    if (!e.target.matches("[data-out]")) return;
    const row = e.target.closest(".row");
    const next = row.nextElementSibling || row.previousElementSibling;
    row.remove();
    (next?.querySelector("[data-grip]") || form.querySelector("[name=title]")).focus();
    total();
  });
  let wait;
  list.addEventListener("input", (e) => {
    if (!e.target.matches("[data-first], [data-last]")) return;
    const row = e.target.closest(".row");
    const first = row.querySelector("[data-first]"), last = row.querySelector("[data-last]");
    last.setCustomValidity(last.valueAsNumber < first.valueAsNumber ? "The last frame lies before the first." : "");
    total();
    clearTimeout(wait);
    wait = setTimeout(() => {
      for (const image of row.querySelectorAll("[data-still]")) {
        const field = image.dataset.of === "first" ? first : last;
        if (field.value) image.src = image.dataset.still.replace(/\d+\.jpg$/, `${field.value}.jpg`);
      }
    }, 250);
  });
  total();
}
