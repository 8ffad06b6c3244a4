/** The page of a guided check: shows where it stands, and asks for what is pressed. */

import { joinDialogs } from "./dialogs.js";
import { made, part, write } from "./dom.js";
import { StopPress } from "./painstop.js";
import { LiveSocket } from "./socket.js";

const PICTURES = /** @type {Record<string, string>} */ ({
  lift: "lift", stand: "stand", flat: "flat", walk: "walk",
  // poses of a calibration
  lift_left: "lift", lift_right: "lift", on_left: "lift", on_right: "lift", both: "stand", rock_length: "stand", rock_width: "stand",
});
const LOOKS = ["first", "speed", "calibrate", "block"];
const BUTTONS = ["start", "enough", "more", "again", "skip", "pain", "end"];
const STATES = /** @type {Record<string, string>} */ ({ done: "✓ ", skipped: "– ", now: "", "to come": "" });

const ask = (/** @type {string} */ what, /** @type {object} */ more = {}) => socket.send({ type: "check", do: what, ...more });

/**
 * Does what a button asks for, once for a double press: the second skip would skip the next step.
 * @param {string} name
 * @param {() => void} act
 */
const pressed = (name, act) => part(name).addEventListener("click", (event) => event.detail < 2 && act());

const NEXT = "End the check, and stop the recording on the live page: then the player’s evidence sheet shows this visit.";

/** Says what is to be said, by this browser's own voice, at the viewer's choice. */
class Voice {
  constructor() {
    this.on = false;
    this.n = 0;
    const button = /** @type {HTMLButtonElement} */ (part("say"));
    button.disabled = !("speechSynthesis" in window);
    button.addEventListener("click", () => {
      this.on = !this.on;
      button.setAttribute("aria-pressed", String(this.on));
      speechSynthesis.cancel();
      if (this.on) speechSynthesis.speak(new SpeechSynthesisUtterance("It is said here.")); // browsers want the first words in a press
    });
  }

  /** @param {{n: number, text: string}} spoken each is said once; what was said before the page came is not */
  take({ n, text }) {
    if (this.on && n > this.n && text) {
      speechSynthesis.cancel();
      speechSynthesis.speak(new SpeechSynthesisUtterance(text));
    }
    this.n = n;
  }
}

/** The questions: answered here, and only what they come to leaves the page. */
class Questions {
  constructor() {
    this.form = /** @type {HTMLFormElement} */ (part("questions"));
    this.by = /** @type {HTMLSelectElement} */ (part("by"));
    this.go = /** @type {HTMLButtonElement} */ (part("answered"));
    this.offered = "";
    this.form.addEventListener("change", () => (this.go.disabled = !this.all()));
    this.form.addEventListener("submit", (event) => {
      event.preventDefault();
      if (!this.all()) return;
      ask("answer", { group: this.group(), by: this.by.value });
    });
    part("unasked").addEventListener("click", () => ask("skip"));
  }

  /** @param {any} check */
  show({ questions, by }) {
    const said = JSON.stringify([questions, by]);
    if (said === this.offered) return;
    this.offered = said;
    part("asked").replaceChildren(...questions.map((/** @type {any} */ question, /** @type {number} */ k) => {
      const field = made("fieldset");
      field.append(made("legend", question.text));
      for (const answer of ["yes", "no"]) {
        const label = made("label");
        const input = document.createElement("input");
        Object.assign(input, { type: "radio", name: `question-${k}`, value: answer });
        input.dataset.group = question.group;
        label.append(input, made("span", answer === "yes" ? "Yes" : "No"));
        field.append(label);
      }
      return field;
    }));
    this.by.replaceChildren(...by.map((/** @type {string} */ who) => made("option", who)));
    this.go.disabled = true;
  }

  /** Forget what was answered: the next check asks again, and nobody finds it in the page. */
  clear() {
    this.offered = "";
    part("asked").replaceChildren();
    this.go.disabled = true;
  }

  all() {
    return this.form.querySelectorAll("fieldset").length === this.form.querySelectorAll("input:checked").length;
  }

  /** @returns {string} of the gravest question with yes: they stand in that order */
  group() {
    const yes = /** @type {HTMLInputElement | null} */ (this.form.querySelector("input[value=yes]:checked"));
    return yes?.dataset.group ?? "";
  }
}

/** Whose session it is that the check goes into: a wrong player is seen before it is done. */
class Whose {
  constructor() {
    /** @type {string | null} */
    this.id = null;
  }

  /** @param {any} hello */
  async hello({ player = null, rights, gateway }) {
    const may = rights === "coach" && gateway !== false;
    const isOther = this.id !== player || part("whose").hidden;
    this.id = player;
    let name = player === null ? "nobody registered" : player.slice(0, 8);
    let lack = "";
    // the line takes its place before the name is known: one that came later would move the buttons
    part("whose").hidden = !may;
    if (isOther) this.name(name);
    if (may) {
      try {
        const answer = await fetch(`/players/choice.json?player=${player ?? ""}`);
        if (answer.ok) {
          const { players, lacks_consent } = await answer.json();
          lack = lacks_consent;
          name = players.find((/** @type {any} */ one) => one.id === player)?.name ?? name;
        }
      } catch {
        // the id is shown, and the next hello asks again
      }
    }
    if (this.id !== player) return; // another one has come meanwhile
    this.name(name);
    part("whose-consent").hidden = !lack;
    write(part("whose-consent"), lack);
  }

  /** @param {string} name */
  name(name) {
    const link = /** @type {HTMLAnchorElement} */ (part("whose-name"));
    write(link, name);
    if (this.id === null) link.removeAttribute("href");
    else link.href = `/players/${this.id}`;
  }
}

/** @param {string} text what is to be known now; empty: nothing */
function notice(text) {
  write(part("notice-text"), text);
  part("notice").hidden = !text;
}

const stop = new StopPress(() => ask("pain"), notice);
const whose = new Whose();
const voice = new Voice();
const questions = new Questions();
const club = /** @type {HTMLSelectElement} */ (part("club"));

/** @param {any} hello */
function hello({ session, clubs, check, link, gateway, rights }) {
  const may = Boolean(session?.recording) && rights !== "player";
  for (const look of LOOKS) {
    /** @type {HTMLButtonElement} */ (part(`begin-${look}`)).disabled = !may;
  }
  part("begin-line").hidden = may;
  write(part("begin-line"), gateway === false ? "No gateway is running." : "Begins with a session: record first, on the live page.");
  if (clubs && club.options.length === 0) {
    club.replaceChildren(...["", ...clubs].map((name) => {
      const option = made("option", name || "no club named");
      option.setAttribute("value", name);
      return option;
    }));
  }
  show(check ?? { on: false });
  stop.hello(session);
  links(link ?? {});
}

/** What is suggested rests on calibrated insoles: who learns it after the look has looked in vain. @param {any} link */
function links({ calibration }) {
  part("uncalibrated").hidden = !calibration?.includes("never calibrated");
}

/** @param {any} check */
function show(check) {
  const { on, phase } = check;
  stop.check(check);
  part("begin").hidden = on;
  part("held").hidden = on || !check.hold;
  write(part("held-line"), `Stopped: ${check.hold}. No drill and no fast swings on this visit.`);
  part("begin-left").hidden = !check.left;
  if (check.left) write(part("begin-left"), `Go on where it was ended: ${check.left}`);
  part("begin-first").classList.toggle("main", !check.left); // one main thing to do
  part("questions").hidden = !on || phase !== "questions";
  part("stopped").hidden = !on || phase !== "stopped";
  part("step").hidden = !on || phase === "questions" || phase === "stopped";
  part("way").hidden = !on;
  if (on && phase === "questions") questions.show(check);
  else questions.clear();
  if (!on) return;
  voice.take(check.spoken);
  part("unasked").hidden = !check.may.includes("skip");
  write(part("advice"), check.advice);
  step(check);
  part("way").replaceChildren(...check.steps.map((/** @type {any} */ each) => {
    const item = made("li", `${STATES[each.state]}${each.title}`, each.state.replace(" ", "-"));
    if (each.state === "now") item.setAttribute("aria-current", "step");
    return item;
  }));
}

/** @param {any} check */
function step(check) {
  const { phase } = check;
  const isOver = phase === "done";
  part("picture").dataset.shows = isOver ? "stand" : (PICTURES[check.step] ?? "swing");
  write(part("title"), isOver ? "Done" : check.title);
  write(part("said"), isOver ? "Thank you. That was all." : check.said);
  write(part("then"), isOver ? (check.look === "calibrate" ? "" : NEXT) : check.then);
  const waits = phase === "lead in" ? "begins in " : "";
  part("left").hidden = check.left_s === null;
  write(part("left"), check.left_s === null ? "" : `${waits}${check.left_s} s`);
  part("count").hidden = phase !== "running" || !check.wanted;
  const unit = made("small", check.step === "walk" ? " steps a foot" : " swings");
  part("count").replaceChildren(`${check.count} of ${check.wanted}`, unit);
  const several = check.times > 1 && !isOver;
  const what = check.look === "block" ? "fast blocks" : "taken";
  write(part("taken"), several ? `${check.taken} of ${check.times} ${what}` : "");
  const line = part("line");
  write(line, phase === "settling" ? "One moment …" : check.line);
  line.className = check.line ? (check.refused ? "refused" : "taken") : "";
  for (const name of BUTTONS) part(name).hidden = !check.may.includes(name);
  part("end").classList.toggle("main", isOver); // what is left to do
  part("step").dataset.look = check.look;
  part("club-speed").hidden = !check.may.includes("club_speed");
}

part("club-speed").addEventListener("submit", (event) => {
  event.preventDefault();
  const input = /** @type {HTMLInputElement} */ (part("club-speed-value"));
  const unit = /** @type {HTMLSelectElement} */ (part("club-speed-unit"));
  ask("club_speed", { m_s: input.valueAsNumber * Number(unit.selectedOptions[0].dataset.mS) });
  input.value = "";
  // as a swing's page keeps it, which reads it too
  const { cookie, keptS } = unit.dataset;
  document.cookie = `${cookie}="${unit.value}"; max-age=${keptS}; path=/; samesite=strict`;
});

for (const look of LOOKS) {
  pressed(`begin-${look}`, () => ask("begin", { look, club: club.value || null }));
}
pressed("begin-left", () => ask("take up"));
for (const name of BUTTONS) pressed(name, () => (name === "pain" ? stop.press() : ask(name)));
pressed("stopped-end", () => ask("end"));
pressed("take-back", () => ask("take back"));
joinDialogs();
part("notice-close").addEventListener("click", () => (part("notice").hidden = true));

/** @param {any} message */
function take(message) {
  if (message.type === "hello") {
    hello(message);
    whose.hello(message);
  } else if (message.type === "check") show(message);
  else if (message.type === "link") links(message);
  else if (message.type === "said" && message.level === "warn") notice(message.text);
}

const socket = new LiveSocket("/live", take, (state, text) => {
  part("connection").hidden = state === "open";
  write(part("connection"), state === "open" ? "" : text);
  if (state === "lost") stop.lost();
});
