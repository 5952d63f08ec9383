// Sends a file in pieces, and goes on where it stopped: after a broken connection, or when the same file is sent again.
const PIECE = 1 << 20;
const rest = (ms) => new Promise((done) => setTimeout(done, ms));

async function ask(path, form, options = {}) {
  const answer = await fetch(path, { ...options, headers: { "X-Form-Key": form, Accept: "application/json", ...options.headers } });
  if (answer.status === 409) return { again: true };
  const told = answer.status === 204 ? {} : await answer.json();
  if (!answer.ok) throw Object.assign(new Error(told.message), { final: answer.status < 500 });
  return told;
}

// The key it is kept under; null if `stopped` said so. `told` gets the part that is there, from 0 to 1, and words.
export async function sendFile(chosen, form, { told, stopped = () => false }) {
  const name = `sending ${chosen.name} ${chosen.size} ${chosen.lastModified}`;
  const known = localStorage.getItem(name);
  let state = known && (await ask(`/api/uploads/${known}`, form).catch(() => null));
  state ||= await ask("/api/uploads", form, { method: "POST", body: JSON.stringify({ size: chosen.size }), headers: { "Content-Type": "application/json" } });
  localStorage.setItem(name, state.key);
  const key = state.key;
  for (let tries = 0; state.offset < chosen.size;) {
    if (stopped()) return null;
    const part = state.offset / chosen.size;
    told(part, `${Math.floor(100 * part)} % of ${(chosen.size / 1e6).toFixed(0)} MB`);
    try {
      const piece = chosen.slice(state.offset, state.offset + PIECE);
      const answer = await ask(`/api/uploads/${key}`, form, { method: "PATCH", body: piece, headers: { "Upload-Offset": String(state.offset), "Content-Type": "application/octet-stream" } });
      state = answer.again ? await ask(`/api/uploads/${key}`, form) : answer;
      tries = 0;
    } catch (problem) {
      if (problem.final || ++tries > 20) throw problem;
      told(part, "The connection broke; trying again…");
      await rest(Math.min(10_000, 500 * 2 ** tries));
      state = await ask(`/api/uploads/${key}`, form).catch(() => state);
    }
  }
  localStorage.removeItem(name);
  return key;
}
