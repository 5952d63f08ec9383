// The search page: completions; cards and the tray are modules of their own.
import { ask } from "./ask.js";
import "./cards.js";
import "./tray.js";

// --- completions: an editable combobox with a list (WAI-ARIA practices) ---
const box = document.querySelector("#q");
const offers = document.querySelector("#offers");
let asked = 0, chosen = -1, wait;

function close() {
  clearTimeout(wait);
  asked++; // an answer that is under way comes too late
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

box.addEventListener("input", () => {
  clearTimeout(wait);
  wait = setTimeout(async () => {
    if (!box.value.trim()) return close();
    const mine = ++asked;
    const texts = await ask(`${box.dataset.complete}?q=${encodeURIComponent(box.value)}`).catch(() => null);
    if (!texts || mine !== asked || document.activeElement !== box) return;
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
  if (e.key === "Escape") { e.preventDefault(); close(); }
  if (offers.hidden) {
    if (e.key === "ArrowDown") document.querySelector(".card [data-play], .card [data-open]")?.focus();
    return;
  }
  if (e.key === "ArrowDown") { e.preventDefault(); mark(chosen + 1); }
  else if (e.key === "ArrowUp") { e.preventDefault(); mark(chosen < 0 ? offers.children.length - 1 : chosen - 1); }
  else if (e.key === "Enter" && chosen >= 0) { e.preventDefault(); take(offers.children[chosen]); }
});
box.addEventListener("blur", close);

// --- after a search the focus is on what it found ---
const ASKED = "cliplib.asked";
box.form.addEventListener("submit", () => sessionStorage.setItem(ASKED, "yes"));
if (sessionStorage.getItem(ASKED)) {
  sessionStorage.removeItem(ASKED);
  document.querySelector("#clips")?.focus({ preventScroll: true });
}

// --- facets fold away on a narrow screen ---
const fold = document.querySelector(".narrow-button");
fold?.addEventListener("click", () => {
  const open = fold.getAttribute("aria-expanded") !== "true";
  fold.setAttribute("aria-expanded", String(open));
  fold.parentElement.classList.toggle("open", open);
});

performance.mark("ready"); // tests.bench_pages measures up to here
