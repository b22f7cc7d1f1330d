// What the sweep page and the large display show alike.
import { progress } from "./now.js";
import { reading } from "./units.js";
import { linkWords, localised } from "./words.js";

const HOLD_MS = 8000;
export const LOOK_MS = 100;

export const page = Object.fromEntries([...document.querySelectorAll("[id]")].map((e) => [e.id, e]));

export const text = (element, said) => {
  if (element.textContent !== said) element.textContent = said;
};

// Whether the set has its answer, or is given up.
export const over = (step) => step?.do === "read-answer" || step?.do === "called-off";

export function linkIs(state, why) {
  const [kind, said] = linkWords(state);
  page.link.dataset.kind = kind;
  text(page.link, why && state === "lost" ? `${said}: ${localised(why)}` : said);
}

export function linkOff(said) {
  page.link.dataset.kind = "off";
  text(page.link, said);
}

export function failureIs(why) {
  page.failure.hidden = !why;
  text(page.failure, why ?? "");
}

export function number(last) {
  const shown = reading(last);
  text(page.number, shown.digits);
  text(page.unit, shown.unit);
  return shown;
}

export function noNumber() {
  text(page.number, "–");
  text(page.unit, "");
}

// The figure pales once the next reading is overdue.
export function lateIs(arrived, period, link) {
  const late = performance.now() - arrived > 1000 * Math.max(2 * period, 0.15) && link !== "waiting";
  page.number.parentElement.classList.toggle("late", late || link === "lost" || link === "none");
  return late;
}

export function dots(seat) {
  [...page.dots.children].forEach((dot, i) => dot.classList.toggle("have", i < seat.have));
}

export function far(result) {
  const made = progress(result);
  page.far.hidden = !made;
  if (!made) return false;
  page["far-bar"].style.width = `${(100 * made.share).toFixed(0)}%`;
  text(page["far-text"], made.text);
  return true;
}

export function verdictIs(v) {
  page.verdict.dataset.kind = v.kind;
  text(page.verdict, v.text);
}

// Advice on a rejected sweep, which stands for a while before the sentence on what is next.
export class Advice {
  #said = "";
  #at = -Infinity;

  give(said) {
    this.#said = said;
    this.#at = performance.now();
  }

  drop() {
    this.#said = "";
  }

  // The advice while it stands, else nothing.
  standing(link) {
    return link !== "lost" && link !== "none" && performance.now() - this.#at < HOLD_MS ? this.#said : "";
  }

  // True once, when its time is over.
  passed() {
    if (!this.#said || performance.now() - this.#at <= HOLD_MS) return false;
    this.drop();
    return true;
  }
}
