/**
 * The connection to the gateway: messages in and out, and again by itself when it is lost.
 *
 * A network that goes away often ends nothing, it only falls silent: a connection on which nothing
 * has come for a while is given up. (The gateway speaks at least once a second.)
 */

const FIRST_WAIT_MS = 300;
const LONGEST_WAIT_MS = 5000;
const SILENT_MS = 5000;
const NOT_LET_IN = 4401; // the sign-in or the link has ended
const OVER = "The session has ended, and this link with it. For the next one your coach makes another.";

/**
 * @param {number} attempt 0 for the first after a loss
 * @param {number} chance 0 … 1: spreads the browsers of a room
 * @returns {number} how long to wait, ms: doubling, never longer than five seconds
 */
export function backOff(attempt, chance) {
  const wait = Math.min(LONGEST_WAIT_MS, FIRST_WAIT_MS * 2 ** Math.min(attempt, 10));
  return wait * (0.75 + 0.25 * chance);
}

export class LiveSocket {
  /**
   * @param {string} path
   * @param {(message: any) => void} onMessage
   * @param {(state: "open" | "lost" | "over", text: string) => void} onState
   * @param {() => boolean} [isOver] whether a link that ends now has shown its session to the end
   */
  constructor(path, onMessage, onState, isOver = () => false) {
    this.url = new URL(path, location.href.replace(/^http/, "ws")).href;
    this.onMessage = onMessage;
    this.onState = onState;
    this.isOver = isOver;
    this.over = false;
    this.attempt = 0;
    /** @type {WebSocket | null} */
    this.socket = null;
    this.timer = 0;
    this.heardMs = 0;
    setInterval(() => this.watch(), 1000);
    addEventListener("online", () => this.hurry());
    document.addEventListener("visibilitychange", () => document.hidden || this.hurry());
    this.open();
  }

  open() {
    clearTimeout(this.timer);
    const socket = new WebSocket(this.url);
    this.socket = socket;
    this.heardMs = performance.now();
    socket.addEventListener("message", (event) => {
      if (socket !== this.socket) return;
      this.heardMs = performance.now();
      if (this.attempt >= 0) this.settle();
      this.onMessage(JSON.parse(event.data));
    });
    socket.addEventListener("close", (event) => socket === this.socket && this.lost(event));
  }

  /** The first message is the proof; an opened socket may still be refused. */
  settle() {
    this.attempt = -1;
    this.onState("open", "Connected");
  }

  /** @param {{code: number, reason: string}} event */
  lost(event) {
    this.socket = null;
    if (event.code === NOT_LET_IN) {
      this.over = this.isOver();
      if (this.over) this.onState("over", OVER);
      else location.reload(); // the gateway shows what is to be done
      return;
    }
    this.attempt += 1;
    const why = event.reason ? `: ${event.reason}` : "";
    this.onState("lost", `No connection to the gateway${why}. What is shown is not live. Trying again …`);
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.open(), backOff(this.attempt, Math.random()));
  }

  watch() {
    if (!this.socket || performance.now() - this.heardMs < SILENT_MS) return;
    const silent = this.socket;
    this.lost({ code: 1006, reason: "" });
    silent.close();
  }

  hurry() {
    if (!this.socket && !this.over) this.open();
  }

  /**
   * @param {object} message
   * @returns {boolean} whether it was given to an open connection
   */
  send(message) {
    if (this.attempt >= 0 || this.socket?.readyState !== WebSocket.OPEN) return false;
    this.socket.send(JSON.stringify(message));
    return true;
  }
}
