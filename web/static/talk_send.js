// What was recorded goes to the library in order, one thing after the other: the next is sent when the last one is
// on its disk. While the network is gone everything stays here and is sent later.
import { ask } from "./ask.js";

const FINAL = [400, 404, 405, 413];
const rest = (ms) => new Promise((done) => setTimeout(done, ms));

// `told()` is called whenever something changed. A job: { address(), body, kind, done(answer), sound }.
export function sender(formKey, told) {
  const queue = [];
  let busy = false, trouble = "", refused = "", key = formKey;

  async function send(job) {
    const post = () => ask(job.address(), { method: "POST", key, body: job.body, signal: AbortSignal.timeout(30_000), headers: { "Content-Type": job.kind } });
    return post().catch(async (problem) => {
      if (problem.status !== 403) throw problem;
      key = (await ask("/api/session")).form_key ?? key; // signed in anew, elsewhere: the session has another key
      return post();
    });
  }

  async function run() {
    if (busy) return;
    busy = true;
    for (let tries = 0; queue.length && !refused;) {
      const job = queue[0];
      try {
        const said = await send(job);
        job.done?.(said);
        queue.shift();
        [tries, trouble] = [0, ""];
      } catch (problem) {
        if (FINAL.includes(problem.status)) refused = problem.message;
        else {
          tries += 1;
          trouble = problem.status ? problem.message : "The library cannot be reached.";
          told();
          await rest(Math.min(8_000, 400 * 2 ** tries));
        }
      }
      told();
    }
    busy = false;
  }

  return {
    add: (job) => { queue.push(job); run(); },
    waiting: () => queue.length,
    bytes: () => queue.reduce((sum, job) => sum + (job.sound ? job.body.size : 0), 0),
    trouble: () => trouble,
    refused: () => refused,
    // What was refused, and all after it: somebody has it elsewhere.
    drop: () => { queue.length = 0; [refused, trouble] = ["", ""]; told(); },
  };
}
