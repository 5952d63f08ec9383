// What can be picked: lines that usually come next, narrowed by what is typed.
const FILLERS = new Set(["to", "the", "a", "on", "in", "with", "and"]);

// Whether `typed` is made of beginnings of the words, each word used once: "jm" or "j m" is "jab missed".
export function fits(typed, words, used = 0) {
  if (!typed) return true;
  if (typed[0] === " ") return fits(typed.slice(1), words, used);
  for (let i = 0; i < words.length; i++) {
    if (used & (1 << i)) continue;
    let same = 0;
    while (same < typed.length && same < words[i].length && typed[same] === words[i][same]) same++;
    for (; same > 0; same--) if (fits(typed.slice(same), words, used | (1 << i))) return true;
  }
  return false;
}

export class Offers {
  constructor(texts, numbers, fighters) {
    this.texts = texts;
    this.fighters = fighters; // [red, blue], full names
    this.short = shortNames(fighters);
    this.words = texts.map((text, i) => [
      ...text.toLowerCase().split(" ").filter((word) => !FILLERS.has(word)), ...(numbers[i] ? [numbers[i]] : []),
    ]);
    this.names = fighters.map((name, who) => [this.short[who].toLowerCase(), who ? "blue" : "red"]);
    this.ranking = [];
  }
  rank({ going_on, opening, until }, seconds) {
    const ranked = going_on.length && (until === null || seconds <= until) ? [...going_on, ...opening] : opening;
    const seen = new Set();
    this.ranking = ranked.filter(([who, what]) => { const key = what * 2 + who; return !seen.has(key) && seen.add(key); });
    for (let what = 0; what < this.texts.length; what++) {
      for (const who of [0, 1]) if (!seen.has(what * 2 + who)) this.ranking.push([who, what]);
    }
  }
  // Rows that fit what is typed, the likeliest first.
  rows(typed, most) {
    const wanted = typed.trim().toLowerCase();
    const found = [];
    for (const [who, what] of this.ranking) {
      if (!wanted || fits(wanted, [...this.words[what], ...this.names[who]])) {
        found.push({ fighter: this.fighters[who], who, action: this.texts[what] });
        if (found.length === most) break;
      }
    }
    return found;
  }
}

export function shortNames(fighters) {
  const last = fighters.map((name) => name.split(" ").at(-1));
  return last[0] === last[1] ? fighters : last;
}
