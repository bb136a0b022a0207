// @ts-check
// What a script says, in the shop's language: the page hands it over where it is not the source's own.

/** @type {Record<string, string>} */
const words = JSON.parse(document.getElementById("words")?.textContent || "{}");

/** A sentence with its blanks filled in: _("{n} of {all}", { n: 1, all: 7 }). @param {string} text @param {Record<string, string | number>} [blanks] */
export const _ = (text, blanks = {}) => (words[text] ?? text).replace(/\{(\w+)\}/g, (blank, name) => String(blanks[name] ?? blank));

/** Mark a constant for the catalogue; _ says it where it is used. @param {string} text */
export const N_ = (text) => text;

/** A number as the shop writes it. @param {number} value @param {number} places */
export const figure = (value, places) =>
  value.toLocaleString(document.documentElement.lang, { minimumFractionDigits: places, maximumFractionDigits: places, useGrouping: false });

/** A number of an axis, without zeros at its end. @param {number} value */
export const plain = (value) => value.toLocaleString(document.documentElement.lang, { maximumFractionDigits: 3, useGrouping: false });
