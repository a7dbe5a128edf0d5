// The live page: what the stream tells, how old it is, and the button.
//
// Owns what is shown as unknown: no word of the page's own process for three seconds is as bad as no word of the
// service. The words themselves come from there (controller/page/board.py). No key does anything.

import { Picture } from "/picture.js";

const STALE_MS = 3000;
const RETRY_MS = 1000;
const LATE_MS = 3000;
const GIVE_UP_MS = 10000;

const by = (id) => document.getElementById(id);
const wall = new Picture(by("canvas"), by("picture"), by("head"), by("caption"));
const name = document.querySelector("h1").textContent;
const facts = new Map();
let press = document.querySelector("input[name=press]").value;
let view = null;
let viewedAt = 0;
let heardAt = null;
let refusal = "";
let stream = null;
let eventsShown = "";
let alertsShown = "";
let latched = false;
let began = performance.now();

// -- the stream -----------------------------------------------------------------------------------------------

const REFUSALS = {
  401: "This browser has no token, or an earlier one: open the page anew with its token.",
  503: "As many look on already as may. Close the page in another window.",
};

async function follow() {
  stream = new AbortController();
  const answer = await fetch("/events", { signal: stream.signal, cache: "no-store" });
  refusal = answer.ok ? "" : REFUSALS[answer.status] ?? `The page's own process refuses (${answer.status}).`;
  if (!answer.ok) return;
  const reader = answer.body.pipeThrough(new TextDecoderStream()).getReader();
  let rest = "";
  for (;;) {
    const { value, done } = await reader.read();
    if (done) return;
    heardAt = performance.now();
    rest += value;
    for (let end = rest.indexOf("\n\n"); end >= 0; end = rest.indexOf("\n\n")) {
      take(rest.slice(0, end));
      rest = rest.slice(end + 2);
    }
  }
}

function take(message) {
  const [first, second] = message.split("\n");
  const data = JSON.parse(second.slice("data: ".length));
  switch (first.slice("event: ".length)) {
    case "hello":
      press = data.press;
      document.querySelector("input[name=press]").value = press;
      break;
    case "picture":
      wall.show(data.key, data.painted).catch(again);
      break;
    case "painted":
      wall.paint(data);
      break;
    case "view":
      view = data;
      viewedAt = performance.now();
      render();
      break;
  }
}

// The picture did not come: the next stream begins with it.
function again() {
  wall.key = null;
  stream?.abort();
}

const pause = (ms) => new Promise((done) => setTimeout(done, ms));
const shown = () => new Promise((done) => document.addEventListener("visibilitychange", done, { once: true }));

async function run() {
  for (;;) {
    // Browsers keep six connections to one address: a page that nobody sees holds none.
    while (document.hidden) await shown();
    try {
      await follow();
    } catch {
      // Broken off, or nobody there: the age says so, and no refusal that somebody gave before.
      refusal = "";
    }
    await pause(RETRY_MS);
  }
}

document.addEventListener("visibilitychange", () => {
  if (document.hidden) {
    stream?.abort();
    view = heardAt = null;
  }
  // What was known before is not shown as news, nor its age as silence.
  began = performance.now();
  render();
});

// -- what is shown --------------------------------------------------------------------------------------------

const seconds = (ms) => `${Math.round(ms / 1000)} s`;

// Why the state is unknown, in words; empty when it is known.
function unknown(now) {
  if (refusal) return refusal;
  const silent = now - (heardAt ?? began);
  if (silent > STALE_MS)
    return `No news from the page's own process for ${seconds(silent)}: it, its computer or the network is down.`;
  if (view !== null && (view.link === "silent" || view.link === "gone")) {
    const age = view.age_ms === null ? "" : ` No word of it for ${seconds(view.age_ms + now - viewedAt)}.`;
    return `${sentence(view.doing)}.${age}`;
  }
  return "";
}

const sentence = (text) => text.charAt(0).toUpperCase() + text.slice(1);

function put(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

function render() {
  const now = performance.now();
  const why = unknown(now);
  document.body.dataset.link = why ? "unknown" : view?.link ?? "asking";
  document.body.dataset.state = why || view === null ? "" : view.state;
  by("unknown").hidden = !why;
  put(by("unknown-why"), why);
  if (view === null) blank(why);
  if (document.hidden) {
    document.title = `${name}, not watched`;
    return;
  }
  document.title = why ? `STATE UNKNOWN, ${name}` : `${view?.state ?? "asking"}, ${name}`;
  if (view === null) return;
  const was = view.was || view.state;
  put(by("state"), sentence(why ? "unknown" : view.state));
  put(by("doing"), why ? (was !== "unknown" ? `last known: ${was}` : "nothing is known") : view.doing);
  const age = view.age_ms === null ? null : view.age_ms + now - viewedAt;
  put(by("age"), age === null ? "no service has spoken" : `last word of the service ${(age / 1000).toFixed(1)} s ago`);
  by("share").hidden = view.share === null || Boolean(why);
  by("share").value = view.share ?? 0;
  wall.place(why ? null : view.position_mm);
  for (const [label, text] of view.facts) fact(label, text);
  // What was answered to a press is gone with the latch: a machine that paints again is not "stopped".
  if (view.latched) latched = true;
  else if (latched) {
    latched = false;
    by("answer").hidden = true;
  }
  alerts(view.alerts);
  events(view.events);
}

// Nothing has been heard, or nothing since somebody looked last: what stood here then is neither news nor known.
function blank(why) {
  put(by("state"), why ? "Unknown" : "looking");
  put(by("doing"), why ? "nothing is known" : "for the machine");
  put(by("age"), "not connected yet");
  by("share").hidden = true;
  wall.place(null);
  for (const label of facts.keys()) fact(label, "unknown");
  alerts([]);
}

function fact(label, text) {
  if (!facts.has(label)) {
    const title = document.createElement("dt"), words = document.createElement("dd");
    title.textContent = label;
    by("facts").append(title, words);
    facts.set(label, words);
  }
  put(facts.get(label), text);
}

function alerts(lines) {
  if (alertsShown === lines.join("\n")) return;
  alertsShown = lines.join("\n");
  by("alerts").hidden = lines.length === 0;
  by("alerts").replaceChildren(...lines.map((line) => item(line)));
}

function item(text) {
  const one = document.createElement("li");
  one.textContent = text;
  return one;
}

function events(list) {
  const text = JSON.stringify(list);
  if (text === eventsShown) return;
  eventsShown = text;
  const items = list.map(([at, words]) => {
    const one = item(` ${words}`), time = document.createElement("time");
    time.textContent = at === null ? "--:--:--" : new Date(at).toTimeString().slice(0, 8);
    one.prepend(time);
    return one;
  });
  by("events").replaceChildren(...(items.length ? items.reverse() : [item("none yet")]));
}

// -- the button -----------------------------------------------------------------------------------------------

function answer(kind, lines) {
  by("answer").hidden = false;
  by("answer").dataset.kind = kind;
  const now = new Date().toTimeString().slice(0, 8);
  by("answer").replaceChildren(...lines.map((line, index) => {
    const one = document.createElement("p");
    one.textContent = index ? line : `${now} ${line}`;
    return one;
  }));
}

const HARDWARE = "Use the hardware stop.";

function ask() {
  return fetch("/stop", {
    method: "POST",
    body: new URLSearchParams({ press }),
    headers: { accept: "application/json" },
    signal: AbortSignal.timeout(GIVE_UP_MS),
  });
}

// A connection may be ended just as it is used: once more then, which does no harm; not after ten seconds.
const askTwice = () => ask().catch((error) => (error.name === "TimeoutError" ? Promise.reject(error) : ask()));

// The page's process was started anew since, and this page has its earlier word.
async function renew() {
  const text = await (await fetch("/", { cache: "no-store" })).text();
  const input = new DOMParser().parseFromString(text, "text/html").querySelector("input[name=press]");
  if (input === null) return false;
  press = input.value;
  return true;
}

let presses = 0;

async function stop() {
  const mine = ++presses;
  const say = (kind, lines) => { if (mine === presses) answer(kind, lines); };
  say("asking", ["Asking the guard to stop ..."]);
  const late = setTimeout(() => say("failed", ["No answer yet.", HARDWARE]), LATE_MS);
  // Its connection is free for the press then, however many windows are open; it comes back by itself.
  stream?.abort();
  try {
    let got = await askTwice();
    if (got.status === 403 && (await renew())) got = await ask();
    const said = await got.json().catch(() => ({ lines: [`Not stopped: refused (${got.status}).`, HARDWARE] }));
    say(said.stopped ? "done" : "failed", said.lines);
  } catch {
    say("failed", ["No answer: the page's own process, its computer or the network is down.", HARDWARE]);
  } finally {
    clearTimeout(late);
  }
}

by("stop").addEventListener("submit", (event) => {
  event.preventDefault();
  stop();
});

setInterval(render, 250);
run();
