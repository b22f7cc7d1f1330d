// Keeps the screen lit while the page is looked at: nobody has a hand free to wake it.  A bonus: not every browser can, and none must.
async function hold() {
  if (document.visibilityState !== "visible") return;
  await navigator.wakeLock?.request("screen").catch(() => null);
}

export function keepAwake() {
  document.addEventListener("visibilitychange", hold);
  hold();
}
