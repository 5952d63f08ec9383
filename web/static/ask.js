// Asks the library. What fails is an Error with a message for people, in the library's own words where it gave some;
// its `status` is the answer's, or 0 if no answer came.
const AWAY = "The library cannot be reached. Is it still running, and is the network there?";

// `key`: the page's form key, for what changes something; `json` or `body`: what is sent.
export async function answered(address, { key, json, headers, ...options } = {}) {
  const sent = json === undefined ? {} : { body: JSON.stringify(json) };
  const answer = await fetch(address, { ...options, ...sent, headers: {
    Accept: "application/json",
    ...(key && { "X-Form-Key": key }),
    ...(json !== undefined && { "Content-Type": "application/json" }),
    ...headers,
  } }).catch(() => { throw Object.assign(new Error(AWAY), { status: 0 }); });
  if (answer.ok) return answer;
  const told = await answer.json().catch(() => null);
  throw Object.assign(new Error(told?.message || `The library answered ${answer.status}.`), { status: answer.status });
}

export async function ask(address, options) {
  const answer = await answered(address, options);
  return answer.status === 204 ? null : answer.json();
}
