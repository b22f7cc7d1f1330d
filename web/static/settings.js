// What each person sets for their own eyes and ears: kept in this browser, told to its other tabs.
const KEY = "shimwright.settings";

const TONES = ["accepted", "rejected", "reseat", "done", "trouble"];
const DEFAULTS = Object.freeze({
  sound: false,
  ...Object.fromEntries(TONES.map((kind) => [`tone.${kind}`, true])),
  volume: 70,
  speech: false,
  rate: 1,
  theme: "auto",
  unit: "auto",
});

const CHOICES = { theme: ["auto", "light", "dark"], unit: ["auto", "mm", "in"] };
const RANGES = { volume: [5, 100], rate: [0.6, 1.6] };

function valid(name, value) {
  if (!(name in DEFAULTS) || typeof value !== typeof DEFAULTS[name]) return false;
  if (name in CHOICES) return CHOICES[name].includes(value);
  if (name in RANGES) return value >= RANGES[name][0] && value <= RANGES[name][1];
  return true;
}

function stored() {
  try {
    const given = JSON.parse(localStorage.getItem(KEY) ?? "{}");
    return Object.fromEntries(Object.entries(given).filter(([name, value]) => valid(name, value)));
  } catch {
    return {}; // nothing can be stored here, or what is stored is none of ours
  }
}

let values = { ...DEFAULTS, ...stored() };
const told = new Set();

function apply() {
  const { theme } = values;
  if (theme === "auto") delete document.documentElement.dataset.theme;
  else document.documentElement.dataset.theme = theme;
}

function tell(names) {
  apply();
  for (const act of told) act(names);
}

export const get = (name) => values[name];

// Sets one value; one that is not allowed is an error of the caller.
export function set(name, value) {
  if (!valid(name, value)) throw new Error(`setting ${name} cannot be ${JSON.stringify(value)}`);
  if (values[name] === value) return;
  values = { ...values, [name]: value };
  try {
    localStorage.setItem(KEY, JSON.stringify(values));
  } catch {
    // It holds for this page only.
  }
  tell([name]);
}

// Calls `act` with the names of what was changed, here or in another tab.
export function onChange(act) {
  told.add(act);
  return () => told.delete(act);
}

window.addEventListener("storage", (e) => {
  if (e.key !== KEY && e.key !== null) return;
  const fresh = { ...DEFAULTS, ...stored() };
  const names = Object.keys(DEFAULTS).filter((name) => fresh[name] !== values[name]);
  values = fresh;
  if (names.length) tell(names);
});

apply();
