// Figures of the set, drawn by the program with the functions that sheet and notebook use, put into the page so that they take its colours.
const NARROW = matchMedia("(max-width: 36rem)");

// One place for a figure.  What is asked for while a drawing is on its way is fetched after it, and only the last of it.
export class Place {
  constructor(element, name) {
    this.element = element;
    this.name = name;
    this.url = "";
    this.tag = "";
    this.asked = null;
    this.again = false;
    this.query = "";
  }

  // Has the figure drawn as the set stands; `query` chooses, such as the number of a sweep.
  async show(query = this.query) {
    if (this.asked && query === this.query) {
      this.again = true;
      return;
    }
    this.query = query;
    this.asked?.abort();
    const mine = (this.asked = new AbortController());
    do {
      this.again = false;
      await this.fetch(mine.signal).catch(() => null);
    } while (this.again && this.asked === mine);
    if (this.asked === mine) this.asked = null;
  }

  async fetch(signal) {
    const query = [this.query, NARROW.matches ? "narrow=1" : ""].filter(Boolean).join("&");
    const url = `/api/figures/${this.name}.svg${query && `?${query}`}`;
    const headers = this.url === url && this.tag ? { "if-none-match": this.tag } : {};
    const answer = await fetch(url, { headers, signal, cache: "no-store" });
    if (answer.status === 204) this.empty();
    if (answer.status !== 200) return;
    const text = await answer.text();
    if (signal.aborted) return;
    const drawn = new DOMParser().parseFromString(text, "image/svg+xml").documentElement;
    if (drawn.localName !== "svg") return;
    this.url = url;
    this.tag = answer.headers.get("etag") ?? "";
    this.element.dataset.tag = this.tag;
    this.element.replaceChildren(document.importNode(drawn, true));
    this.element.hidden = false;
  }

  empty() {
    this.tag = "";
    this.element.replaceChildren();
    this.element.hidden = true;
  }

  clear() {
    this.asked?.abort();
    this.asked = null;
    this.query = "";
    this.empty();
  }
}

// Figures that follow the set; those out of sight wait until they are seen.
export class Figures {
  constructor(places) {
    this.stale = new Set();
    this.seen = new Map(places.map((p) => [p.element.parentElement, p]));
    this.inView = new Set();
    const watch = new IntersectionObserver((entries) => {
      for (const e of entries) {
        const place = this.seen.get(e.target);
        if (e.isIntersecting) this.inView.add(place);
        else this.inView.delete(place);
        if (e.isIntersecting && this.stale.delete(place)) place.show();
      }
    }, { rootMargin: "200px" });
    for (const box of this.seen.keys()) watch.observe(box);
    NARROW.addEventListener("change", () => this.changed());
  }

  // The set is another: draw what is looked at, and the rest when it is.
  changed() {
    for (const place of this.seen.values()) {
      if (this.inView.has(place)) place.show();
      else this.stale.add(place);
    }
  }

  clear() {
    for (const place of this.seen.values()) place.clear();
    this.stale.clear();
  }
}
