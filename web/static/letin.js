// On another device: back to the pairing page once it is no longer let in, whichever page it shows.
const EVERY_MS = 3000;
const HERE = /^(localhost|127(\.\d+){3}|\[::1\])$/;

async function look() {
  const answer = await fetch("/api/pair").catch(() => null);
  const me = await answer?.json().catch(() => null);
  if (me?.paired === false && !me.here) location.replace("/pair");
}

if (!HERE.test(location.hostname)) setInterval(look, EVERY_MS);
