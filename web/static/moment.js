// A link to a moment: #t= and footage time, seconds or h:mm:ss, as in W3C Media Fragments URI 1.0, 4.2.1 (npt).
export function momentOf(hash) { // seconds of footage time, or null
  const text = new URLSearchParams(hash.slice(1)).get("t") ?? "";
  const parts = text.replace(/^npt:/, "").split(",")[0].split(":").map((part) => (/^\d+(\.\d*)?$/.test(part) ? Number(part) : NaN));
  const seconds = parts.length <= 3 ? parts.reduce((sum, part) => sum * 60 + part, 0) : NaN;
  return Number.isFinite(seconds) ? seconds : null;
}
