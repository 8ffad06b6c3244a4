/** All swings of a set, laid over each other. */

import { drawn } from "./chart.js";

void drawn(/** @type {HTMLElement} */ (document.getElementById("chart")));
