// Picking clips for a reel: kept for the visit, across searches, in the order they were picked.
const KEY = "cliplib.picked";
const tray = document.querySelector(".tray");
const read = () => JSON.parse(sessionStorage.getItem(KEY) || "[]");

function show() {
  const picked = read();
  tray.hidden = !picked.length;
  tray.querySelector("[data-picked]").textContent = picked.length;
  tray.elements.clips.value = picked.join(",");
  const phrase = tray.elements.phrase.value;
  for (const link of tray.querySelectorAll("[data-go]")) {
    link.href = `${link.dataset.go}?${new URLSearchParams({ ...(phrase ? { q: phrase } : {}), of: picked.join(",") })}`;
    link.hidden = "two" in link.dataset && picked.length !== 2;
  }
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
tray.addEventListener("submit", (e) => { if (!e.submitter?.hasAttribute("formaction")) sessionStorage.removeItem(KEY); });
addEventListener("pageshow", show);
show();
