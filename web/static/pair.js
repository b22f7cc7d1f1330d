// The first page of a device that is not this machine: its code, and nothing else.
const form = document.getElementById("pair");
const code = document.getElementById("code");
const name = document.getElementById("name");
const said = document.getElementById("said");

// A camera brings the code along behind "#", which a browser sends to nobody.
function fromAddress() {
  const given = location.hash.slice(1);
  if (!/^\d{8}$/.test(given)) return;
  code.value = `${given.slice(0, 4)} ${given.slice(4)}`;
  history.replaceState(null, "", location.pathname);
  form.querySelector("button").focus();
}

async function ask(body) {
  const how = body && { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body) };
  const answer = await fetch("/api/pair", how).catch(() => null);
  if (answer === null) return { detail: said.dataset.noAnswer };
  return answer.json().catch(() => ({ detail: said.dataset.noAnswer }));
}

form.addEventListener("submit", async (e) => {
  e.preventDefault();
  said.textContent = said.dataset.working;
  const { paired, detail } = await ask({ code: code.value, name: name.value });
  if (paired) location.replace("/");
  else {
    said.textContent = detail;
    code.focus();
    code.select();
  }
});

fromAddress();
window.addEventListener("hashchange", fromAddress);
// Whoever comes by a camera shows no cookie at first, though one may be there.
ask().then(({ paired }) => paired && location.replace("/"));
