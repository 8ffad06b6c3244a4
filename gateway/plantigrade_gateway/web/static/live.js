/** The live page: joins the connection to the page's parts. */

import { Audible } from "./audible.js";
import { CheckUnderWay } from "./checkunderway.js";
import { Cautions, joinDialogs, joinKeys } from "./dialogs.js";
import { Decided } from "./decided.js";
import { part, write } from "./dom.js";
import { DrillPanel } from "./drillpanel.js";
import { Feet } from "./feet.js";
import { Large } from "./large.js";
import { LinkPanel } from "./linkpanel.js";
import { Outcome } from "./outcome.js";
import { PainStop } from "./painstop.js";
import { PlayerPanel } from "./playerpanel.js";
import { Session } from "./session.js";
import { Share } from "./share.js";
import { LiveSocket } from "./socket.js";
import { SetPanel } from "./setpanel.js";
import { SoundPanel } from "./soundpanel.js";
import { Spoken } from "./spoken.js";
import { Strip } from "./strip.js";

const STILL_MS = 2000; // ours
const MEASURE = new URLSearchParams(location.search).has("measure");
const send = (/** @type {object} */ message) => socket.send(message);

/** When a frame's picture was handed to the browser, for `?measure=1`: after this beat's painting. */
function drawn(/** @type {number} */ sentMs) {
  const after = new MessageChannel();
  after.port1.onmessage = () => send({ type: "drawn", sent_ms: sentMs, drawn_ms: performance.timeOrigin + performance.now() });
  after.port2.postMessage(null);
}

const feet = new Feet(MEASURE ? drawn : undefined);
const large = new Large();
const share = new Share();
const session = new Session(send);
const audible = new Audible(send);
const sound = new SoundPanel(send, (on) => audible.set("cues", on));
const parts = /** @type {Record<string, any>[]} */ ([
  sound, // first: what it does is heard
  feet, share, new Outcome(), new Strip(), new DrillPanel(send), new LinkPanel(), session,
  new PlayerPanel(send), new SetPanel(send), new Spoken((on) => audible.set("voice", on)), audible,
  new Cautions(), large,
]);

parts.push(new Decided(), new PainStop(send), new CheckUnderWay());

let hasEnded = false; // the session that a player's link is for: what it came to stays to be read

/** @param {any} message to each part that has a method of its type's name */
function take(message) {
  if (message.type === "hello") {
    stale(message.gateway === false);
    hasEnded = message.rights === "player" && message.session?.recording === false;
  }
  for (const part of parts) part[message.type]?.(message);
  if (message.type !== "frame") return;
  framesMs = performance.now();
  document.body.classList.remove("still");
}

/** What is shown held once: grey, until it holds again. @param {boolean} on */
function stale(on) {
  document.body.classList.toggle("stale", on);
  if (on) for (const part of parts) part.lost?.();
}

// Without pictures nothing is known of the feet, whatever else still comes.
let framesMs = -Infinity;
setInterval(() => {
  if (performance.now() - framesMs <= STILL_MS || document.body.classList.contains("still")) return;
  document.body.classList.add("still");
  feet.lost();
  share.lost();
}, 500);

/**
 * @param {"open" | "lost" | "over"} state
 * @param {string} text
 */
function connection(state, text) {
  const line = part("connection");
  line.hidden = state === "open";
  write(line, state === "open" ? "" : text);
  if (state === "lost") stale(true);
  if (state === "over") sound.awake.show(false);
}

/** @param {HTMLElement} button pressed or not @param {(on: boolean) => void} act */
function toggle(button, act) {
  button.addEventListener("click", () => {
    const on = button.getAttribute("aria-pressed") !== "true";
    button.setAttribute("aria-pressed", String(on));
    act(on);
  });
}

toggle(part("large"), (on) => {
  document.body.classList.toggle("large", on);
  large.fit();
  sound.awake.show(on);
  Large.keep(on);
});
if (Large.wanted()) part("large").click();
toggle(part("numbers"), (on) => feet.showNumbers(on));
if (matchMedia("(min-width: 700px)").matches) part("numbers").click(); // there is room for figures
part("notice-close").addEventListener("click", () => (part("notice").hidden = true));
joinDialogs();
joinKeys({
  m: () => session.mark(),
  r: () => part("record").click(),
  a: () => part("drill-ask").click(),
  l: () => part("large").click(),
  v: () => part("numbers").click(),
  s: () => part("sound-here").click(),
  "?": () => part("help-button").click(),
});
// Beneath the page's own address, which of a player's link is secret and is what lets it in.
const socket = new LiveSocket(`${location.pathname.replace(/\/$/, "")}/live`, take, connection, () => hasEnded);
