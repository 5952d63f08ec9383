// Watches a reel being made, then goes to it.
const place = document.querySelector("[data-events]");
const text = place.querySelector("[data-text]");
const bar = place.querySelector("progress");

let step = "", began = 0, from = 0;

/** How long the step that is under way may still take, in words; empty while nobody can tell. */
function left(now) {
  if (now.stage !== step) [step, began, from] = [now.stage, performance.now(), now.done];
  const seconds = (performance.now() - began) / 1000, done = now.done - from;
  if (seconds < 3 || done <= 0 || now.done >= now.total) return "";
  const rest = Math.ceil(seconds * (now.total - now.done) / done);
  return rest < 90 ? `, about ${rest} s left of this step` : `, about ${Math.round(rest / 60)} min left of this step`;
}

if (!["failed", "cancelled"].includes(place.dataset.state)) {
  const source = new EventSource(place.dataset.events);
  source.addEventListener("message", (event) => {
    const now = JSON.parse(event.data);
    if (now.total) { bar.max = now.total; bar.value = now.done; }
    if (now.state === "waiting") text.textContent = "Waiting for other work to finish…";
    if (now.state === "running") text.textContent = now.total ? `${now.stage}: ${now.done} of ${now.total}${left(now)}` : `${now.stage}…`;
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
