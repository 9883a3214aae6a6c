// What this page asks of the bench beyond looking on; what went wrong with it comes as a sentence.
//
// Knows addresses' manners, not their meaning. Every failure is a Refused, whose message can be shown as it is.

const PATIENCE_REAL_MS = 15000;

const WORDS = {
  401: "This browser may not do that: open the operator's link again.",
  403: "That cannot be done from here.",
  404: "The bench knows nothing of that.",
  413: "That is too long: write less.",
  422: "The bench could not read what was asked.",
  503: "The bench is not ready for that yet: try again in a moment.",
};

export class Refused extends Error {
  constructor(text, { code = "", status = 0 } = {}) {
    super(text);
    this.code = code;
    this.status = status;
  }
}

export const ask = (path) => exchange("GET", path);
export const tell = (path, body = {}) => exchange("POST", path, body);
export const withdraw = (path) => exchange("DELETE", path);

async function exchange(method, path, body) {
  const reply = await send(method, path, body);
  const answer = await reply.json().catch(() => null);
  if (reply.ok && answer !== null) return answer;
  throw new Refused(sentence(reply, answer), { code: answer?.refused ?? "", status: reply.status });
}

async function send(method, path, body) {
  const request = { method, cache: "no-store", signal: AbortSignal.timeout(PATIENCE_REAL_MS) };
  if (body !== undefined) Object.assign(request, { body: JSON.stringify(body), headers: { "content-type": "application/json" } });
  try {
    return await fetch(path, request);
  } catch (error) {
    throw new Refused(error.name === "TimeoutError" ? lateText(method) : "The bench cannot be reached at the moment.");
  }
}

// It may have been carried out: to say that nothing happened would be a guess.
function lateText(method) {
  const text = `The bench has not answered within ${PATIENCE_REAL_MS / 1000} s.`;
  return method === "GET" ? text : `${text} It may have done it all the same: see the events.`;
}

function sentence({ status, headers }, answer) {
  const wait_s = headers.get("retry-after");
  if (status === 429 && wait_s !== null) return `Too many attempts: try again in ${wait_s} s.`;
  if (typeof answer?.text === "string" && status !== 401) return asSentence(answer.text);
  return WORDS[status] ?? `The bench could not answer (HTTP ${status}).`;
}

export function asSentence(text) {
  const begun = text.charAt(0).toUpperCase() + text.slice(1);
  return /[.?:]$/.test(begun) ? begun : `${begun}.`;
}
