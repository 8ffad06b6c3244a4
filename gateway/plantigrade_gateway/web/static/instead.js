/** A page that answers a form stands in the history as the page of that form: *Back* and *Reload* ask
 * for it anew, instead of asking whether the form is to be sent again. */

/** @type {HTMLMetaElement | null} */
const instead = document.querySelector('meta[name="instead"]');
if (instead) history.replaceState(history.state, "", instead.content);
