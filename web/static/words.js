// @ts-check
// What a script says, in the shop's language: the page hands it over where it is not the source's own.

/** @type {Record<string, string>} */
const words = JSON.parse(document.getElementById("words")?.textContent || "{}");

/** A sentence with its blanks filled in: _("{n} of {all}", { n: 1, all: 7 }). @param {string} text @param {Record<string, string | number>} [blanks] */
export const _ = (text, blanks = {}) => (words[text] ?? text).replace(/\{(\w+)\}/g, (blank, name) => String(blanks[name] ?? blank));
