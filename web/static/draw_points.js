// The points of a drawing that can be taken hold of, and what moves with each. `far` gives the distance of two
// points in the screen's pixels.

// A stroke's points without those that lie within half a pixel of the line between others (after Douglas, Peucker).
export function simpler(points, far) {
  const keep = new Set([0, points.length - 1]), rest = [[0, points.length - 1]];
  while (rest.length) {
    const [first, last] = rest.pop();
    let most = 0.5, at = -1;
    for (let n = first + 1; n < last; n += 1) {
      const away = aside(points[n], points[first], points[last], far);
      if (away > most) [most, at] = [away, n];
    }
    if (at >= 0) { keep.add(at); rest.push([first, at], [at, last]); }
  }
  return points.filter((_, n) => keep.has(n));
}

function aside(point, a, b, far) {
  const [ab, ap, bp] = [far(a, b), far(a, point), far(b, point)];
  const along = ab ? Math.min(1, Math.max(0, (ap * ap + ab * ab - bp * bp) / (2 * ab * ab))) : 0;
  return far(point, [a[0] + (b[0] - a[0]) * along, a[1] + (b[1] - a[1]) * along]);
}

// Which points have a handle: all of a shape; of a path its ends, `taken` (or -1), and no others nearer than `apart`.
export function handles(points, far, apart, taken) {
  const end = points.length - 1;
  if (end < 3) return points.map((_, n) => n);
  const found = [0];
  for (let n = 1; n < end; n += 1) {
    if (n === taken || (far(points[found.at(-1)], points[n]) >= apart && far(points[n], points[end]) >= apart)) found.push(n);
  }
  return [...found, end];
}

// How much of a move each point makes when the one at `taken` is moved: all of it there, and less and less on the
// way to the handles beside it, so that a hand-drawn line stays smooth.
export function shares(count, held, taken) {
  const place = held.indexOf(taken), before = held[place - 1] ?? taken, after = held[place + 1] ?? taken;
  return Array.from({ length: count }, (_, n) => {
    if (n === taken) return 1;
    if (n > before && n < taken) return (n - before) / (taken - before);
    if (n > taken && n < after) return (after - n) / (after - taken);
    return 0;
  });
}
