// Who is writing: asked once, remembered in this browser, changed at any time.
import { el } from "./job_dom.js";
import * as kept from "./job_kept.js";
import { say } from "./say.js";

export class Person {
  constructor(root, told = () => {}) {
    this.root = root;
    this.told = told;
    this.asking = false;
    this.draw();
    window.addEventListener("storage", (e) => kept.isOurs(e.key) && !this.asking && this.draw());
  }

  draw(problem = "") {
    const name = kept.who();
    if (name && !this.asking && !problem) {
      const change = el("button", { type: "button", class: "small", on: { click: () => this.ask() } }, say("person.change"));
      this.root.replaceChildren(el("p", {}, say("person.writing", { who: name })), change);
      return;
    }
    this.input = el("input", { type: "text", id: "who", autocomplete: "off", maxLength: 80, value: name, "aria-describedby": "who-help who-problem" });
    this.input.addEventListener("input", () => kept.setWho(this.input.value.trim()));
    const trouble = el("p", { class: "problem", id: "who-problem", role: "alert", hidden: !problem }, problem);
    const keep = (e) => {
      e.preventDefault();
      this.asking = false;
      this.draw();
      this.told();
    };
    this.root.replaceChildren(
      el(
        "form",
        { class: "who", noValidate: true, on: { submit: keep } },
        el("label", { for: "who" }, say("person.label")),
        el("p", { class: "quiet help", id: "who-help" }, say("person.help")),
        this.input,
        trouble,
        el("button", { type: "submit", class: "small" }, say("person.keep")),
      ),
    );
  }

  ask(problem = "") {
    this.asking = true;
    this.draw(problem);
    this.input.focus();
  }
}
