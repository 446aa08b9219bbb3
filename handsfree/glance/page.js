// Shows what the program tells, as large as it fits, and says when it tells nothing any more.
"use strict";

const SILENT = 6000; // ms without a word, after which the program counts as gone; it speaks every 2 s
const AGAIN = 2000; // ms between attempts where the browser itself has given up
const LEAST = 12, MOST = 260; // CSS px of the step's letters
const FAR = 2; // metres from which the step should be read
// ISO 9241-303 (from memory) asks for characters of 20 to 22 minutes of arc, measured at a capital letter. A phone's or
// tablet's CSS pixel is about 1/160 inch, the smallest in common use; a desktop's is larger.
const ARC = Math.tan(20 / 60 * Math.PI / 180), PIXEL = 25.4 / 160 / 1000; // metres
const SMALLER = [1, 0.8, 0.65]; // of the answer's letters, where the step's would be too small
const SIGN = { over: "!", conforming: "✓", nonconforming: "✗", undecided: "?", again: "?", refused: "!", done: "✓" };

const $ = id => document.getElementById(id);
let last = "", told = 0, source = null, refused = false;

function element(name, text, ...classes) {
  const made = document.createElement(name);
  made.textContent = text;
  made.classList.add(...classes);
  return made;
}

function show(state) {
  $("title").textContent = state.title ? `${state.title} · ${state.equipment}` : "";
  const step = state.step;
  const place = step && [step.number ? `step ${step.number} of ${step.of}` : step.id ? "finding" : "opening"];
  if (place && step.piece) place.push(`piece ${step.piece[0]} of ${step.piece[1]}`);
  if (place && step.id) place.push(counted(state.readings, "reading"));
  if (place && state.deviations) place.push(counted(state.deviations, "deviation"));
  $("place").textContent = place ? place.join(" · ") : "";
  $("step").textContent = step ? step.text : state.lost || "No session has begun.";
  $("cautions").replaceChildren(...(step && !state.closed ? step.cautions : []).map(caution => {
    const line = element("li", "", caution.signal);
    line.append(element("b", caution.signal), element("span", caution.text));
    return line;
  }));
  $("say").replaceChildren();
  if (state.paused) $("say").append(element("b", "Standing by. Say go ahead."));
  else if (state.closed) $("say").append(element("b", state.action ? `Action: ${state.action}` : `Session closed: ${state.closed}.`));
  else if (state.may_say && state.may_say.length) $("say").append("say ", element("b", state.may_say.join(" · ")));
  $("heard").replaceChildren();
  if (state.heard != null) $("heard").append("heard ", element("b", state.heard || "(nothing understood)"));
  const outcomes = (state.outcomes || []).map(outcome => {
    const box = element("div", "", "outcome", outcome.kind);
    box.append(element("span", `${SIGN[outcome.kind] || ""} ${outcome.text}`.trim()));
    if (["conforming", "nonconforming", "undecided", "noted"].includes(outcome.kind)) box.append(element("span", outcome.kind, "word"));
    if (outcome.detail) box.append(element("span", outcome.detail, "detail"));
    return box;
  });
  if (state.fault) outcomes.push(element("div", `! ${state.fault}`, "outcome", "refused"));
  if (state.lost && step) outcomes.push(element("div", `! ${state.lost}`, "outcome", "refused"));
  $("outcomes").replaceChildren(...outcomes);
  $("answer").hidden = !($("heard").textContent || $("say").textContent || outcomes.length);
  document.querySelector("#off p").textContent = step ? (state.off.length ? state.off.join(", ") : "nothing") : "";
  list("energy", (state.energy || []).map(each => [each.name, each.state]));
  list("timers", (state.timers || []).map(each => [each.name, clock(each.left)]));
  for (const [number, timer] of (state.timers || []).entries()) $("timers").querySelectorAll("li")[number].classList.toggle("over", timer.left <= 0);
  for (const box of document.querySelectorAll("footer > div")) box.hidden = !box.lastElementChild.textContent;
  document.querySelector("footer").hidden = !step;
}

const counted = (number, noun) => `${number} ${noun}${number === 1 ? "" : "s"}`;

function list(id, pairs) {
  document.querySelector(`#${id} ul`).replaceChildren(...pairs.map(([name, value]) => {
    const line = element("li", "");
    line.append(element("b", `${name} `), value);
    return line;
  }));
}

function clock(seconds) {
  if (seconds <= 0) return "over";
  const two = number => String(number).padStart(2, "0");
  const minutes = Math.floor(seconds / 60);
  return minutes < 60 ? `${minutes}:${two(seconds % 60)}` : `${Math.floor(minutes / 60)}:${two(minutes % 60)}:${two(seconds % 60)}`;
}

// The largest letters with which a box still holds its text.
function fit(box, least, most) {
  const fits = size => {
    box.style.fontSize = `${size}px`;
    return box.scrollHeight <= box.clientHeight + 1 && box.scrollWidth <= box.clientWidth + 1;
  };
  let low = least, high = most;
  while (high - low > 0.5) {
    const middle = (low + high) / 2;
    if (fits(middle)) low = middle; else high = middle;
  }
  box.style.fontSize = `${Math.floor(low)}px`;
  return Math.floor(low);
}

function arrange() {
  fit(document.querySelector("footer"), LEAST, Math.max(15, 0.023 * Math.min(innerWidth, 1.6 * innerHeight)));
  const most = Math.max(18, Math.min(innerWidth * 0.066, innerHeight * 0.12));
  const reaches = share => {
    fit($("outcomes"), LEAST, most * share);
    return arrangeStep();
  };
  let reach = 0;
  for (const share of SMALLER) if ((reach = reaches(share)) >= FAR) break;
  if (reach < FAR) reach = reaches(1); // smaller letters there would not help here
  $("reach").textContent = `to be read from ${reach.toFixed(1)} m`;
}

// Gives the step its largest letters, and how far they reach in metres.
function arrangeStep() {
  $("step").classList.remove("narrow");
  const wide = capital(fit($("step"), LEAST, MOST)) * PIXEL / ARC;
  if (wide >= FAR) return wide;
  $("step").classList.add("narrow"); // narrower letters can be taller ones
  return capital(fit($("step"), LEAST, MOST)) * PIXEL / ARC;
}

// The height of the step's capitals at this size, in CSS px.
function capital(size) {
  const style = getComputedStyle($("step"));
  const pen = document.createElement("canvas").getContext("2d");
  pen.font = `${style.fontWeight} 100px ${style.fontFamily}`;
  return pen.measureText("H").actualBoundingBoxAscent / 100 * size;
}

function gone(words, old = Boolean(words)) {
  $("gone").textContent = words;
  $("gone").hidden = !words;
  $("link").textContent = words ? "not connected" : "connected";
  document.body.classList.toggle("old", old);
  arrange();
}

function hear(message) {
  told = performance.now();
  refused = false;
  const state = JSON.parse(message.data);
  if (message.data !== last || $("gone").textContent) {
    last = message.data;
    show(state);
    gone(state.ended ? `The program has ended, at ${time()}.` : "", false);
  }
}

const time = () => new Date().toLocaleTimeString([], { hour12: false });

function connect() {
  source = new EventSource(`events${location.search}`);
  source.onmessage = hear;
  source.onerror = () => {
    if (source.readyState === EventSource.CLOSED) { // refused: another run of the program has another token
      refused = true;
      setTimeout(connect, AGAIN);
    }
    lookAfter();
  };
}

function lookAfter() {
  const shown = $("gone").textContent;
  if (performance.now() - told < SILENT && source.readyState === EventSource.OPEN) return;
  if (refused) gone("This page is no longer let in: scan the code that the terminal shows now.");
  else if (!shown || !told) {
    const words = told ? `No connection to the program since ${time()}. What stands here may be old.` : "No connection to the program yet.";
    if (words !== shown) gone(words);
  }
}

addEventListener("resize", arrange);
setInterval(lookAfter, 1000);
// A page that only this computer shows may keep its screen on; others are set so in the tablet's settings.
if (navigator.wakeLock) {
  const awake = () => document.visibilityState === "visible" && navigator.wakeLock.request("screen").catch(() => {});
  document.addEventListener("visibilitychange", awake);
  awake();
}
connect();
