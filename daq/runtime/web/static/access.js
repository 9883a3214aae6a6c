// What this browser may do: it comes with a link whose token is handed in once and then taken out of sight.
//
// The token travels in the fragment, which no server and no log ever sees; the cookie that it is exchanged for is out of
// this page's reach.

import { announceRefusal } from "./answers.js";
import { Refused, ask, tell, withdraw } from "./api.js";
import { makeWord } from "./fields.js";
import { openSheet } from "./dialog.js";
import { make } from "./writing.js";

const FRAGMENT = /^#(?:read|operate)=(.+)$/;
const UNKNOWN = { role: "none", may_operate: false, listener: "loopback", secure: false, notice: "" };
const RETRY_REAL_MS = 3000;

let current = UNKNOWN;
let changed = () => {};

export const access = () => current;
export const mayOperate = () => current.role === "operator" && current.may_operate;
export const mayRead = () => current.role !== "none" || current.listener !== "network";

export async function enter() {
  await handIn();
  await refresh();
}

// Another link may be pasted while the page stands open: only the fragment changes then.
export function watchAccess(whenChanged) {
  changed = whenChanged;
  addEventListener("hashchange", async () => {
    if (!FRAGMENT.test(location.hash)) return;
    const couldRead = mayRead();
    await enter();
    if (mayRead() && !couldRead) location.reload(); // Nothing was dialled so far.
  });
}

async function handIn() {
  const token = FRAGMENT.exec(location.hash)?.[1];
  if (token === undefined) return;
  history.replaceState(null, "", location.pathname + location.search);
  try {
    await tell("/api/access", { token: decodedToken(token) });
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    announceRefusal(error.status === 401 ? "This link does not hold any more, or was cut short: ask for the present one." : error.message);
  }
}

function decodedToken(text) {
  try {
    return decodeURIComponent(text);
  } catch {
    return text; // A stray per cent sign: the bench will refuse it.
  }
}

export async function refresh() {
  try {
    current = await ask("/api/access");
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    current = UNKNOWN;
    setTimeout(refresh, RETRY_REAL_MS);
  }
  changed();
}

// ---------------------------------------------------------------- the role in words

export const roleWord = () => (mayOperate() ? "operator" : mayRead() ? "reader" : "none");

// How to come to more, for those who may not do all; empty for the operator.
export function wayIn() {
  if (mayOperate()) return "";
  if (!mayRead()) return "This browser may not look at the bench yet: open the link that the bench's program shows, or scan its code.";
  if (current.listener === "network" && !current.secure) {
    return "From here the bench can be looked at. It is operated at its own computer, or over https with the operator's link.";
  }
  return "To operate the bench from here, open the operator's link that the bench's program shows.";
}

const ROLE_TEXTS = {
  operator: "This browser may operate the bench: start and stop sessions, change the slip, make notes.",
  reader: "This browser may look at everything and change nothing.",
  none: "",
};

export function openRole() {
  const role = roleWord();
  const texts = [ROLE_TEXTS[role], wayIn(), current.notice].filter(Boolean);
  openSheet({
    title: `Role: ${role}`,
    parts: [...texts.map((text) => make("p", { text })), ...roleWays()],
    away: "Close",
  });
}

function roleWays() {
  const ways = [];
  if (current.role !== "none") ways.push(makeWord("Give up this role in this browser…", openLeaving));
  if (mayOperate()) {
    ways.push(makeWord("Make the readers' links void…", () => openRenewal("reader")));
    ways.push(makeWord("Make the operator's link void…", () => openRenewal("operator")));
  }
  return ways.length === 0 ? [] : [make("div", { className: "stacked" }, ...ways)];
}

function openLeaving() {
  openSheet({
    title: "Give up this role",
    parts: [make("p", { text: "This browser forgets the link. The link itself goes on holding." })],
    submit: "Give up the role",
    act: async () => {
      await withdraw("/api/access");
      await refresh();
      return "This browser has given up its role.";
    },
  });
}

const RENEWAL_TEXTS = {
  reader: "Whoever looks on over the network with a reader's link is shut out at once, and needs the new one.",
  operator: "Whoever operates with the operator's link is shut out at once, and needs the new one. This browser stays in.",
};

function openRenewal(role) {
  openSheet({
    title: role === "reader" ? "Make the readers' links void" : "Make the operator's link void",
    parts: [make("p", { text: `${RENEWAL_TEXTS[role]} This cannot be undone.` })],
    submit: "Make void",
    act: async () => {
      const { text } = await tell("/api/access/renew", { role });
      await refresh();
      return text;
    },
  });
}
