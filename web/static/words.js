// @ts-check
// What a script says, in the shop's language: the page hands it over where it is not the source's own.

/** @type {Record<string, string>} */
const words = JSON.parse(document.getElementById("words")?.textContent || "{}");

/** A sentence with its blanks filled in: _("{n} of {all}", { n: 1, all: 7 }). @param {string} text @param {Record<string, string | number>} [blanks] */
export const _ = (text, blanks = {}) => (words[text] ?? text).replace(/\{(\w+)\}/g, (blank, name) => String(blanks[name] ?? blank));

/** Mark a constant for the catalogue; _ says it where it is used. @param {string} text */
export const N_ = (text) => text;

const lang = document.documentElement.lang;
/** Making one costs a hundred times what using one does. @type {Map<number, Intl.NumberFormat>} */
const formats = new Map();

/** @param {number} least @param {number} most */
function format(least, most) {
  const key = 100 * least + most;
  let found = formats.get(key);
  if (!found) formats.set(key, found = new Intl.NumberFormat(lang, { minimumFractionDigits: least, maximumFractionDigits: most, useGrouping: false }));
  return found;
}

/** A number as the shop writes it. @param {number} value @param {number} places */
export const figure = (value, places) => format(places, places).format(value);

/** A number of an axis, without zeros at its end. @param {number} value */
export const plain = (value) => format(0, 3).format(value);
