// Keys and the foot switch.
const KEYS = { r: "reseat", n: "new-set", g: "go-on", s: "sound", v: "speech" };
const QUIET_MS = 1500;
// Keys that move about the page or belong to the browser are no foot switch.
const MOVES = /^(Tab|Shift|Escape|Arrow.*|Page.*|Home|End|Control|Alt|AltGraph|Meta|CapsLock|F\d+|ContextMenu|Dead|Unidentified|Audio.*|Media.*|Browser.*)$/;

let stepped = -Infinity;

export function setUp() {
  document.addEventListener("keydown", (e) => {
    if (e.ctrlKey || e.altKey || e.metaKey || e.repeat || e.defaultPrevented) return;
    const at = document.activeElement;
    if (at?.matches("input, select, textarea")) return;
    const button = document.getElementById(KEYS[e.key.toLowerCase()] ?? "");
    if (button) {
      if (!button.hidden && !button.disabled) button.click();
      return;
    }
    // A foot switch sends whatever key its maker chose; on a control, Enter and the space bar are the control's.
    const controls = at !== document.body && /^( |Enter)$/.test(e.key);
    if (MOVES.test(e.key) || controls || performance.now() - stepped < QUIET_MS) return;
    stepped = performance.now();
    e.preventDefault();
    document.getElementById("reseat").click();
  });
  // What was clicked does not keep the keys of a foot switch to itself.
  document.addEventListener("click", (e) => {
    if (e.detail > 0) e.target.closest?.("button, summary, input:not([type=text])")?.blur();
  });
}
