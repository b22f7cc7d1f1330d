// The last seconds of readings on a canvas, with the bottoms found so far.
const SECONDS = 20;
const EVERY_MS = 90;

// `wake` is called when there is something to draw that no reading brought.
export class Trace {
  constructor(canvas, wake) {
    this.canvas = canvas;
    this.wake = wake;
    this.points = [];
    this.bottoms = [];
    this.dirty = true;
    this.drawn = -Infinity;
    this.colours = null;
    this.seen = true;
    new IntersectionObserver((entries) => {
      this.seen = entries.at(-1).isIntersecting;
      if (this.seen) wake();
    }).observe(canvas);
    const resize = () => {
      const scale = Math.min(window.devicePixelRatio || 1, 2);
      canvas.width = Math.round(canvas.clientWidth * scale);
      canvas.height = Math.round(canvas.clientHeight * scale);
      this.scale = scale;
      this.dirty = true;
      wake();
    };
    new ResizeObserver(resize).observe(canvas);
    resize();
  }

  reset(points) {
    this.points = points;
    this.bottoms = [];
    this.dirty = true;
  }

  add(t, value) {
    this.points.push([t, value]);
    if (this.points.length > 4000) this.points.splice(0, 2000);
    this.dirty = true;
  }

  setBottoms(sweeps) {
    this.bottoms = sweeps.filter((s) => s.minimum_mm !== null);
    this.dirty = true;
    this.wake();
  }

  // The page's colours are others now.
  recolour() {
    this.colours = null;
    this.dirty = true;
    this.wake();
  }

  // Draws if there is anything new to see; true while there is something left to draw.
  draw(now) {
    if (!this.dirty || !this.seen) return false;
    if (performance.now() - this.drawn < EVERY_MS) return true;
    this.drawn = performance.now();
    this.dirty = false;
    this.paint(now);
    return false;
  }

  paint(now) {
    const { canvas, scale } = this;
    const ctx = canvas.getContext("2d");
    if (this.colours === null) {
      const style = getComputedStyle(document.documentElement);
      this.colours = Object.fromEntries(["--trace", "--good", "--bad"].map((name) => [name, style.getPropertyValue(name).trim()]));
    }
    const color = (name) => this.colours[name];
    ctx.clearRect(0, 0, canvas.width, canvas.height);
    const end = Math.max(now, this.points.length ? this.points[this.points.length - 1][0] : 0);
    const begin = end - SECONDS;
    let first = this.points.findIndex((p) => p[0] >= begin);
    if (first < 0) return;
    let low = Infinity;
    let high = -Infinity;
    for (let i = first; i < this.points.length; i++) {
      low = Math.min(low, this.points[i][1]);
      high = Math.max(high, this.points[i][1]);
    }
    const room = Math.max(high - low, 0.02);
    const pad = 14 * scale;
    const x = (t) => ((t - begin) / SECONDS) * canvas.width;
    const y = (v) => canvas.height - pad - ((v - low) / room) * (canvas.height - 2 * pad);
    ctx.strokeStyle = color("--trace");
    ctx.lineWidth = 2 * scale;
    ctx.beginPath();
    let last = -1;
    for (let i = first; i < this.points.length; i++) {
      const [t, v] = this.points[i];
      if (last >= 0 && t - last < 1) ctx.lineTo(x(t), y(v));
      else ctx.moveTo(x(t), y(v));
      last = t;
    }
    ctx.stroke();
    for (const s of this.bottoms) {
      if (s.bottom_s < begin) continue;
      const px = x(s.bottom_s);
      const py = Math.min(Math.max(y(s.minimum_mm), 6 * scale), canvas.height - 6 * scale);
      if (s.accepted) {
        ctx.fillStyle = color("--good");
        ctx.beginPath();
        ctx.arc(px, py, 6 * scale, 0, 2 * Math.PI);
        ctx.fill();
      } else {
        ctx.strokeStyle = color("--bad");
        ctx.strokeRect(px - 5 * scale, py - 5 * scale, 10 * scale, 10 * scale);
      }
    }
  }
}
