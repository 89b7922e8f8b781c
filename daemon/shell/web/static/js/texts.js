// What the page says: every sentence by its key. assets.py fills in the sentences of the page's language as it serves this.

export const language = "{{language}}";
const TEXTS = "{{texts}}";
const CODES = "{{codes}}";

/** The sentence with its values in their places. */
export const t = (key, values = {}) => (TEXTS[key] ?? key).replace(/\{(\w+)\}/g, (_, name) => values[name]);

/** A code of the watch (a stage, a mark, a fault) as a person says it. */
export const plain = (code) => CODES[code] ?? code.replaceAll("-", " ");

/** What an alarm is called, by the id of its rule. */
export const alarmTitle = (rule) => CODES[`alarm.${rule}`] ?? plain(rule);
