// Sends footage in pieces, and goes on where it stopped: after a broken connection, or when the same file is chosen again.
const form = document.querySelector(".new-fight form");
const file = form.querySelector("[data-send]"), button = form.querySelector("[data-make]");
const place = form.querySelector("[data-sending]"), bar = place.querySelector("progress"), words = place.querySelector("span");
const PIECE = 1 << 20;
let turn = 0;

async function ask(path, options = {}) {
  const answer = await fetch(path, { ...options, headers: { "X-Form-Key": form.dataset.key, Accept: "application/json", ...options.headers } });
  if (answer.status === 409) return { again: true };
  const told = answer.status === 204 ? {} : await answer.json();
  if (!answer.ok) throw Object.assign(new Error(told.message), { final: answer.status < 500 });
  return told;
}
const rest = (ms) => new Promise((done) => setTimeout(done, ms));

async function send(chosen, mine) {
  const name = `sending ${chosen.name} ${chosen.size} ${chosen.lastModified}`;
  const known = localStorage.getItem(name);
  let state = known && (await ask(`/api/uploads/${known}`).catch(() => null));
  state ||= await ask("/api/uploads", { method: "POST", body: JSON.stringify({ size: chosen.size }), headers: { "Content-Type": "application/json" } });
  localStorage.setItem(name, state.key);
  const key = state.key;
  for (let tries = 0; state.offset < chosen.size;) {
    if (mine !== turn) return null;
    bar.value = state.offset / chosen.size;
    words.textContent = `${Math.floor(100 * bar.value)} % of ${(chosen.size / 1e6).toFixed(0)} MB`;
    try {
      const piece = chosen.slice(state.offset, state.offset + PIECE);
      const told = await ask(`/api/uploads/${key}`, { method: "PATCH", body: piece, headers: { "Upload-Offset": String(state.offset), "Content-Type": "application/octet-stream" } });
      state = told.again ? await ask(`/api/uploads/${key}`) : told;
      tries = 0;
    } catch (problem) {
      if (problem.final || ++tries > 20) throw problem;
      words.textContent = "The connection broke; trying again…";
      await rest(Math.min(10_000, 500 * 2 ** tries));
      state = await ask(`/api/uploads/${key}`).catch(() => state);
    }
  }
  localStorage.removeItem(name);
  return key;
}

file.addEventListener("change", async () => {
  const mine = ++turn, chosen = file.files[0];
  form.elements.upload.value = "";
  place.hidden = !chosen;
  button.disabled = Boolean(chosen);
  if (!chosen) return;
  try {
    const key = await send(chosen, mine);
    if (mine !== turn) return;
    form.elements.upload.value = key;
    bar.value = 1;
    words.textContent = "All of it is here.";
  } catch (problem) { words.textContent = problem.message; }
  if (mine === turn) button.disabled = false;
});
