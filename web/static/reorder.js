// Rows that are put into another order: by dragging a row's grip, or by the up and down keys on it (with Alt anywhere
// in the row).
//
// `rows`: a selector of the rows, which are neighbours in the page; `may()`: whether one may just now; `moved(row)`:
// after each step by keys, and when a dragged row is let go.
export function reorder(list, { rows, may = () => true, moved }) {
  const all = () => [...list.querySelectorAll(rows)];

  list.addEventListener("keydown", (e) => {
    const row = e.target.closest(rows);
    if (!row || !may() || !(e.altKey || e.target.matches("[data-grip]"))) return;
    if (e.key !== "ArrowUp" && e.key !== "ArrowDown") return;
    e.preventDefault();
    const up = e.key === "ArrowUp", other = up ? row.previousElementSibling : row.nextElementSibling;
    if (!other) return;
    up ? other.before(row) : other.after(row);
    e.target.focus();
    row.scrollIntoView({ block: "nearest" });
    moved(row);
  });

  list.addEventListener("pointerdown", (e) => {
    const grip = e.target.closest("[data-grip]");
    if (!grip || e.button || !may()) return;
    const row = grip.closest(rows);
    grip.setPointerCapture(e.pointerId);
    row.classList.add("dragged");
    const drag = ({ clientY: y }) => {
      const now = all();
      const other = now.find((one) => { const box = one.getBoundingClientRect(); return one !== row && y >= box.top && y < box.bottom; });
      if (!other) return;
      const box = other.getBoundingClientRect(), middle = box.top + box.height / 2;
      const above = now.indexOf(other) < now.indexOf(row);
      if (above && y < middle) other.before(row);
      else if (!above && y > middle) other.after(row);
    };
    grip.addEventListener("pointermove", drag);
    grip.addEventListener("lostpointercapture", () => {
      grip.removeEventListener("pointermove", drag);
      row.classList.remove("dragged");
      moved(row);
    }, { once: true });
  });
}
