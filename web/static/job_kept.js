// What this browser keeps: who writes, the forms that are begun, the units last chosen in a job.
const WHO = "shimwright.by";
const draftKey = (job, step, form) => `shimwright.draft.${job}.${step}.${form}`;

function read(key) {
  try {
    return JSON.parse(localStorage.getItem(key));
  } catch {
    return null;
  }
}

function write(key, value) {
  try {
    if (value === null) localStorage.removeItem(key);
    else localStorage.setItem(key, JSON.stringify(value));
  } catch {
    // A browser that keeps nothing still saves on the disk.
  }
}

export const who = () => read(WHO) ?? "";
export const setWho = (name) => write(WHO, name);

export const draft = (job, step, form) => read(draftKey(job, step, form));
export const setDraft = (job, step, form, value) => write(draftKey(job, step, form), value);

// What was begun to put an entry right that is withdrawn now.
export function forgetEntry(job, n) {
  const mine = Object.keys(localStorage).filter((k) => k.startsWith(`shimwright.draft.${job}.`) && k.endsWith(`-${n}`));
  for (const key of mine) write(key, null);
}

// Steps of a job in which a form is begun.
export function drafted(job) {
  const start = `shimwright.draft.${job}.`;
  const keys = [];
  for (let i = 0; i < localStorage.length; i += 1) keys.push(localStorage.key(i));
  return [...new Set(keys.filter((k) => k.startsWith(start)).map((k) => k.slice(start.length).split(".")[0]))];
}

// A line for the next page: what was done on this one.
export function tellLater(words) {
  try {
    sessionStorage.setItem("shimwright.told", words);
  } catch {
    // Without it the next page says nothing of it.
  }
}

export function toldBefore() {
  try {
    const words = sessionStorage.getItem("shimwright.told") ?? "";
    sessionStorage.removeItem("shimwright.told");
    return words;
  } catch {
    return "";
  }
}

export const lastUnit = (job, dimension) => read(`shimwright.unit.${job}.${dimension}`) ?? "";
export const setLastUnit = (job, dimension, unit) => write(`shimwright.unit.${job}.${dimension}`, unit);
export const isOurs = (key) => key === WHO || key?.startsWith("shimwright.draft.");
