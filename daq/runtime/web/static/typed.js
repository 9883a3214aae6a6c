// Readings that were typed in the trial in hand. Each can be taken back until the machine is switched off.
//
// A second press says that it is meant: what was taken back cannot be brought back, only typed anew when it is asked for.

import { mayOperate, refresh } from "./access.js";
import { announce, announceRefusal } from "./answers.js";
import { Refused, tell } from "./api.js";
import { makeWord } from "./fields.js";
import { isLost } from "./link.js";
import { isPast } from "./past.js";
import { find, make, number, put, syncList, withUnit } from "./writing.js";

const summary = make("summary");
const list = make("ul");
const busy = new Set();

export function drawTyped(snapshot) {
  const place = find("typed");
  const typed = mayOperate() && !isPast() && !isLost() ? (snapshot?.typed_readings ?? []) : [];
  place.hidden = typed.length === 0;
  if (place.childElementCount === 0) place.append(make("details", {}, summary, list));
  put(summary, typed.length === 1 ? "1 reading typed in this trial" : `${typed.length} readings typed in this trial`);
  // The newest is the one that is most likely to be wrong.
  syncList(list, [...typed].reverse(), { keyOf: ({ channel, at_s }) => `${channel} ${at_s}`, create: makeLine });
}

function makeLine(reading) {
  const named = `${reading.title} ${withUnit(number(reading.value, reading.decimals), reading.unit)}`;
  const button = makeWord("Take back", () => press(button, reading, named));
  button.setAttribute("aria-label", `Take back ${named}`);
  return make("li", {}, make("span", { text: named }), button);
}

function press(button, reading, named) {
  if (button.dataset.sure === undefined) {
    button.dataset.sure = "";
    button.setAttribute("aria-label", `It was wrong: take back ${named}`);
    button.textContent = "It was wrong: take it back";
    button.addEventListener("blur", () => relent(button, named), { once: true });
  } else takeBack(reading);
}

function relent(button, named) {
  delete button.dataset.sure;
  button.setAttribute("aria-label", `Take back ${named}`);
  button.textContent = "Take back";
}

async function takeBack({ channel, at_s }) {
  const key = `${channel} ${at_s}`;
  if (busy.has(key)) return;
  busy.add(key);
  try {
    announce((await tell("/api/session/take-back", { channel, at_s })).text);
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    announceRefusal(error.message);
    if (error.status === 401) await refresh();
  } finally {
    busy.delete(key);
  }
}
