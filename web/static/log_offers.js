// What can be picked: lines that usually come next, narrowed by what is typed.
const WHOLE = 2; // letters from which a line that is told completely comes first
const FILLERS = new Set(["to", "the", "a", "on", "in", "with", "and"]);

// How many of the words are used when `typed` is made of beginnings of them, each used once: "jm" or "j m" is
// "jab missed". -1 if it cannot be. Of several ways the one that uses most of the first `core` words counts.
function fits(typed, words, core = words.length, used = 0) {
  if (!typed) {
    let count = 0;
    for (let i = 0; i < core; i++) if (used & (1 << i)) count++;
    return count;
  }
  if (typed[0] === " ") return fits(typed.slice(1), words, core, used);
  let best = -1;
  for (let i = 0; i < words.length; i++) {
    if (used & (1 << i)) continue;
    let same = 0;
    while (same < typed.length && same < words[i].length && typed[same] === words[i][same]) same++;
    for (; same > 0; same--) best = Math.max(best, fits(typed.slice(same), words, core, used | (1 << i)));
  }
  return best;
}

export class Offers {
  constructor(texts, numbers, fighters, patterns = []) {
    this.patterns = patterns; // how exchanges often begin: [if red does, if blue does]
    this.opens = true;
    this.texts = texts;
    this.fighters = fighters; // [red, blue], full names
    this.short = shortNames(fighters);
    this.words = texts.map((text) => text.toLowerCase().split(" ").filter((word) => !FILLERS.has(word)));
    this.numbers = numbers;
    this.names = fighters.map((name, who) => [this.short[who].toLowerCase(), who ? "blue" : "red"]);
    this.ranking = [];
  }
  rank({ going_on, opening, until }, seconds) {
    this.opens = !(going_on.length && (until === null || seconds <= until));
    const ranked = this.opens ? opening : [...going_on, ...opening];
    const seen = new Set();
    this.ranking = ranked.filter(([who, what]) => { const key = what * 2 + who; return !seen.has(key) && seen.add(key); });
    for (let what = 0; what < this.texts.length; what++) {
      for (const who of [0, 1]) if (!seen.has(what * 2 + who)) this.ranking.push([who, what]);
    }
  }
  // Rows that fit what is typed, the likeliest first. Who has typed a letter for every word means just that line.
  rows(typed, most) {
    const wanted = typed.trim().toLowerCase();
    const whole = [], found = []; // of those that are told completely, the ones that use more of their own words first
    for (const [who, what] of this.ranking) {
      const core = this.words[what].length;
      const words = wanted ? [...this.words[what], ...(this.numbers[what] ? [this.numbers[what]] : []), ...this.names[who]] : [];
      const used = wanted ? fits(wanted, words, core) : 0;
      if (used < 0) continue;
      (used === core && wanted.length >= WHOLE ? whole : found).push({ fighter: this.fighters[who], who, action: this.texts[what], used });
      if (!wanted && found.length === most) break;
    }
    whole.sort((a, b) => b.used - a.used);
    const rows = [...whole, ...found].slice(0, most);
    if (!wanted && this.opens && most > 10 && this.patterns.length) { // behind those that have digits
      const opener = this.ranking[0]?.[0] ?? 0;
      const often = this.patterns.map((both) => ({ fighter: "", action: both[opener], pattern: true }));
      rows.splice(most - often.length, often.length, ...often);
    }
    return rows;
  }
}

// The keys that take a row at once: digits, then keys of the same place on every keyboard, by what stands on them
// here, then function keys. `text`: keys that may go on with a word that was begun.
export function keysOfRows() {
  const plain = (e) => !e.ctrlKey && !e.altKey && !e.metaKey && !e.shiftKey;
  const keys = [..."1234567890"].map((digit) => ({ label: digit, press: digit, digit: true, is: (e) => e.key === digit && plain(e) }));
  const places = [["Minus", "-", true], ["Equal", "=", true], ["BracketLeft", "["], ["BracketRight", "]"], ["Semicolon", ";"], ["Quote", "'", true], ["Comma", ",", true], ["Slash", "/"], ["Backslash", "\\"], ["Backquote", "`"]];
  for (const [code, label, text] of places) {
    const key = { label, press: code, text, is: (e) => e.code === code && e.key === key.label && plain(e) };
    keys.push(key);
  }
  for (const name of ["F3", "F4", "F6", "F7", "F8", "F9", "F10"]) keys.push({ label: name, press: name, is: (e) => e.key === name && plain(e) });
  navigator.keyboard?.getLayoutMap?.().then((map) => {
    for (const key of keys) if (map.has(key.press)) { key.label = map.get(key.press); key.text ||= /\p{L}/u.test(key.label); }
  }, () => {});
  return keys;
}

function shortNames(fighters) {
  const last = fighters.map((name) => name.split(" ").at(-1));
  return last[0] === last[1] ? fighters : last;
}
