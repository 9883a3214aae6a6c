// Starting a session: the plans on offer, going on or beginning anew, and on another day whether all is still the same.

import { Refused, ask, tell } from "./api.js";
import { announceRefusal } from "./answers.js";
import { openSheet, refuse } from "./dialog.js";
import { makeChoice, makeGroup } from "./fields.js";
import { make } from "./writing.js";

const SAME = [
  { name: "machine", title: "The same machine", detail: "The very one, in the same state, with the same parts fitted." },
  { name: "meters", title: "The same meters in the same ranges", detail: "At the same places." },
  { name: "room", title: "The same room", detail: "The same socket, the same place, about as warm as then." },
];

export async function openStarting() {
  let plans;
  try {
    ({ plans } = await ask("/api/plans"));
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    announceRefusal(error.message);
    return;
  }
  if (plans.length === 0) showNone();
  else showPlans(plans);
}

function showNone() {
  const text = "There is no plan beside the bench file. A plan says which conditions are measured, how often and for how long.";
  openSheet({ title: "Start a session", parts: [make("p", { text })], away: "Close" });
}

function showPlans(plans) {
  const usable = plans.filter(({ fault }) => fault === null);
  const choices = plans.map((plan) => makePlan(plan, usable.length === 1));
  const form = openSheet({
    title: "Start a session",
    parts: [makeGroup("Plan", ...choices), ...usable.filter(({ unfinished }) => unfinished !== null).map(makeUnfinished), makeSame()],
    submit: "Start",
    act: (data) => start(form, plans, data),
  });
  form.addEventListener("change", () => showChosen(form, plans));
  showChosen(form, plans);
  form.querySelector("[name=plan]:not(:disabled)")?.focus();
}

// ---------------------------------------------------------------- parts

function makePlan({ name, file, machine, trials, fault }, only) {
  const isUsable = fault === null;
  const size = trials === 1 ? "1 trial" : `${trials} trials`;
  const details = isUsable ? [`${machine}, ${size}`, file] : [`Cannot be used until its file is mended: ${fault}`];
  return makeChoice({ type: "radio", name: "plan", value: name, checked: only, disabled: !isUsable }, name, ...details);
}

function makeUnfinished({ name, unfinished: { session, done, total, last_utc: last } }) {
  const far = `It goes on where it stopped: ${done} of ${total} done, last worked on ${last.slice(0, 10)} ${last.slice(11, 16)} UTC.`;
  const on = makeChoice({ type: "radio", name: `new ${name}`, value: "no", checked: true }, `Go on with session ${session}`, far);
  const anew = makeChoice({ type: "radio", name: `new ${name}`, value: "yes" }, "Begin anew", `Session ${session} stays stored as it stands.`);
  const group = makeGroup("This plan has an unfinished session", on, anew);
  group.dataset.plan = name;
  return group;
}

// Unticked at first: each has to be looked at.
function makeSame() {
  const boxes = SAME.map(({ name, title, detail }) => makeChoice({ type: "checkbox", name }, title, detail));
  const follows = make("p", { role: "status" });
  const group = makeGroup("This is another day. What is the same as then?", ...boxes, follows);
  group.dataset.asked = "";
  group.classList.add("same");
  return group;
}

// ---------------------------------------------------------------- what is shown

function showChosen(form, plans) {
  const choice = choiceOf(plans, new FormData(form));
  for (const group of form.querySelectorAll("[data-plan]")) group.hidden = group.dataset.plan !== choice.plan?.name;
  const same = form.querySelector(".same");
  same.hidden = !isAsked(same, choice);
  if (!same.hidden) sayWhatFollows(same);
  form.querySelector("[type=submit]").textContent = submitWord(choice);
}

function isAsked(same, { plan, isNew }) {
  if (plan === undefined || plan.unfinished === null || isNew) return false;
  return plan.unfinished.another_day || same.dataset.asked === plan.name;
}

function sayWhatFollows(same) {
  const follows = same.querySelector("[role=status]");
  const isAll = [...same.querySelectorAll("input")].every(({ checked }) => checked);
  const text = isAll
    ? "All the same: the session goes on, with a trial of the baseline first."
    : "Tick what is the same. If anything is not, trials of today cannot be held against those of then: begin anew.";
  if (follows.textContent !== text) follows.textContent = text;
}

function submitWord({ plan, isNew }) {
  if (plan === undefined) return "Start";
  return plan.unfinished === null || isNew ? "Begin the session" : `Go on with session ${plan.unfinished.session}`;
}

function choiceOf(plans, data) {
  const plan = plans.find(({ name, fault }) => fault === null && name === data.get("plan"));
  return { plan, isNew: plan !== undefined && data.get(`new ${plan.name}`) === "yes" };
}

// ---------------------------------------------------------------- asking for it

async function start(form, plans, data) {
  const choice = choiceOf(plans, data);
  if (choice.plan === undefined) throw new Refused("Choose a plan first.");
  const same = form.querySelector(".same");
  const answers = isAsked(same, choice) ? Object.fromEntries(SAME.map(({ name }) => [name, data.has(name)])) : null;
  try {
    return (await tell("/api/session/start", { plan: choice.plan.name, new: choice.isNew, same: answers })).text;
  } catch (error) {
    if (error.code === "another-day") {
      same.dataset.asked = choice.plan.name; // The day changed while the sheet stood open.
      showChosen(form, plans);
      same.querySelector("input").focus();
    }
    throw error;
  }
}
