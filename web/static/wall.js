// @ts-check
// The wall only follows.
import "./live.js";
