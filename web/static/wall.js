// @ts-check
// The wall only follows.
import { liveCurve } from "./live_curve.js";

liveCurve();
