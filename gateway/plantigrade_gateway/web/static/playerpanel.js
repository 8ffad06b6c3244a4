/** Whose session it is, and the press that begins another player's. For the coach's page only. */

import { underWay } from "./checkunderway.js";
import { made, part, write } from "./dom.js";

const RECENT = 3; // ours: as many as a phone's line has room for
const MOST = 50; // of a list: who is further down is searched for

/** @typedef {{id: string, name: string, last: string | null}} Player */

/**
 * Return the players whose name holds a text, in either case.
 * @param {Player[]} players
 * @param {string} text
 */
export function named(players, text) {
  const wanted = text.trim().toLowerCase();
  return players.filter(({ name }) => name.toLowerCase().includes(wanted));
}

export class PlayerPanel {
  /** @param {(message: object) => boolean} send */
  constructor(send) {
    this.send = send;
    /** @type {Player[]} */
    this.players = [];
    /** @type {string | null} */
    this.id = null;
    this.search = /** @type {HTMLInputElement} */ (part("player-search"));
    this.search.addEventListener("input", () => this.list());
    part("player-more").addEventListener("click", () => this.open());
    part("player-nobody").addEventListener("click", () => this.choose(null));
    part("leave-now").addEventListener("click", () => this.change());
    /** What another player's session would end, in a sentence each; empty: nothing of it goes on. */
    this.under = { check: "", set: "", drill: "" };
    this.recording = false;
    /** @type {string | null} */
    this.wanted = null;
  }

  /** @param {any} hello */
  hello({ player, hand, rights, gateway, session, check, set, drill }) {
    this.recording = Boolean(session?.recording); // what a session ended with goes on no more
    this.check(check);
    this.set(set);
    this.drill(drill);
    const may = rights === "coach" && gateway !== false;
    part("player-bar").hidden = !may;
    this.id = player ?? null;
    part("player-hand").hidden = !hand;
    write(part("player-hand"), hand ?? "");
    if (may) this.read();
  }

  async read() {
    const { id } = this;
    let lack = "";
    /** @type {Player[]} */
    let players = [];
    try {
      const answer = await fetch(`/players/choice.json?player=${id ?? ""}`);
      if (answer.ok) ({ players, lacks_consent: lack } = await answer.json());
    } catch {
      // ids are shown, and the next hello asks again
    }
    if (this.id !== id) return; // another one has come meanwhile
    this.players = players;
    part("player-consent").hidden = !lack;
    write(part("player-consent"), lack);
    this.show();
  }

  show() {
    const now = this.players.find(({ id }) => id === this.id);
    write(part("player-now"), now?.name ?? (this.id ? this.id.slice(0, 8) : "nobody registered"));
    const others = this.players.filter(({ id }) => id !== this.id);
    const here = part("player-recent").contains(document.activeElement);
    part("player-recent").replaceChildren(...others.slice(0, RECENT).map((one) => this.button(one, one.name)));
    if (here) part("player-more").focus(); // the pressed one has gone
    this.list();
  }

  list() {
    const found = named(this.players, this.search.value);
    const shown = found.slice(0, MOST).map((one) => this.button(one, one.last ? `${one.name}, ${one.last}` : one.name));
    if (found.length > MOST) shown.push(made("p", `and ${found.length - MOST} more: search for the name`, "muted"));
    if (!found.length) shown.push(made("p", "No player is called so.", "muted"));
    part("player-all").replaceChildren(...shown);
  }

  open() {
    this.search.value = "";
    this.list();
    this.search.focus();
  }

  /**
   * @param {Player} player
   * @param {string} text
   */
  button({ id, name }, text) {
    const button = /** @type {HTMLButtonElement} */ (made("button", text));
    button.type = "button";
    button.title = name;
    button.disabled = id === this.id;
    button.addEventListener("click", () => this.choose(id));
    return button;
  }

  /** @param {any} check */
  check(check) {
    this.under.check = underWay(check);
  }

  /** @param {any} set */
  set(set) {
    this.under.set = set?.name ? `Set ${set.n}, ${set.name}, is under way.` : "";
  }

  /** A drill that nobody has tried yet has nothing to lose. @param {any} drill */
  drill(drill) {
    const tried = drill?.name ? drill.tried + drill.unclear : 0;
    this.under.drill = tried ? `${drill.title} is under way: ${drill.good} of ${drill.tried} good.` : "";
  }

  /** One press begins another player's session; where that ends something, it is asked first. @param {string | null} id */
  choose(id) {
    /** @type {HTMLDialogElement} */ (part("choosing")).close();
    this.wanted = id;
    const { check, set, drill } = this.under;
    const said = this.recording ? [check, set, drill].filter(Boolean).join(" ") : "";
    if (!said) {
      this.change();
      return;
    }
    write(part("leaving-text"), `${said} It ends with its session, which keeps what was taken.`);
    /** @type {HTMLDialogElement} */ (part("leaving")).showModal();
  }

  change() {
    this.send({ type: "player", id: this.wanted });
  }

  lost() {
    this.recording = false;
    part("player-bar").hidden = true;
  }
}
