// Steps that can be taken back, done one after the other, each told to the library before the next begins.
// A step is { first, again, back }: three functions that do it, do it once more, and undo it; each a promise.
export function steps({ undo, redo, failed, settled }) {
  let done = [], undone = [], turn = Promise.resolve();
  const show = () => { undo.disabled = !done.length; redo.disabled = !undone.length; };
  const queue = (work) => {
    turn = turn.then(async () => {
      let fine = true;
      try { await work(); } catch (error) { fine = false; await failed(error); }
      show();
      settled(fine);
    });
    return turn;
  };
  const run = (step) => queue(async () => { await step.first(); done.push(step); undone = []; });
  const back = () => queue(async () => { const step = done.pop(); if (step) { await step.back(); undone.push(step); } });
  const again = () => queue(async () => { const step = undone.pop(); if (step) { await step.again(); done.push(step); } });
  undo.addEventListener("click", back);
  redo.addEventListener("click", again);
  return { run, undo: back, redo: again };
}
