// What the reasons mean, in a mechanic's words.
export const REASONS = {
  "too-few-samples": "too few readings",
  "too-fast": "too fast",
  "turned-back": "turned back before the nearest point",
  "knock": "bumped",
  "gap": "readings missing at the bottom",
  "unit-changed": "unit key pressed",
  "open-hole": "tip dips into a hole",
  "plunger-stuck": "plunger stuck",
  "off-the-set": "stands apart from the others",
  "link-lost": "link dropped",
};

export const RULINGS = {
  "within": "Within tolerance",
  "outside": "Outside tolerance",
  "not proven": "Not proven either way",
};

export const LINKS = {
  opened: ["on", "Connected"],
  back: ["on", "Connected"],
  stale: ["late", "No readings coming"],
  lost: ["off", "Indicator not connected"],
  waiting: ["waiting", "Waiting for the indicator"],
};

export const mm = (x, places = 4, sign = false) =>
  x === null || x === undefined ? "–" : (sign && x >= 0 ? "+" : "") + x.toFixed(places).replace("-", "−");

export const reasonText = (reasons) => reasons.map((r) => REASONS[r] ?? r).join(", ");
