// Watches a reel being made, then goes to it.
const place = document.querySelector("[data-events]");
const text = place.querySelector("[data-text]");
const bar = place.querySelector("progress");

if (!["failed", "cancelled"].includes(place.dataset.state)) {
  const source = new EventSource(place.dataset.events);
  source.addEventListener("message", (event) => {
    const now = JSON.parse(event.data);
    if (now.total) { bar.max = now.total; bar.value = now.done; }
    if (now.state === "waiting") text.textContent = "Waiting for other work to finish…";
    if (now.state === "running") text.textContent = now.total ? `${now.stage}: ${now.done} of ${now.total}` : `${now.stage}…`;
    if (now.state === "failed" || now.state === "cancelled") {
      source.close();
      text.textContent = now.message;
      place.querySelector("form").hidden = true;
      bar.hidden = true;
    }
    if (now.state === "done") {
      source.close();
      location.replace(now.result);
    }
  });
}
