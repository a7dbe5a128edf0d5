// The picture: planned strokes as thin lines, painted ones as wide as their tip, in the inks' colours.
//
// Owns the canvas. The format of the strokes is written down in controller/page/picture.py; after that only numbers of
// strokes come, and only those are drawn. Knows no stream and no state of the machine.

const HAIR_PX = 0.8;
const PLANNED_ALPHA = 0.55;
const DENSITY_MAX = 2;

export function decode(buffer) {
  const view = new DataView(buffer);
  const length = view.getUint32(0, true);
  const header = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 4, length)));
  let at = 4 + length;
  for (const pass of header.passes) {
    pass.counts = new Uint32Array(buffer, at, pass.strokes);
    at += 4 * pass.strokes;
    for (const axis of ["x", "y"]) {
      const values = new Uint16Array(buffer, at, pass.points);
      at += Math.ceil(pass.points / 2) * 4;
      for (let i = 1; i < values.length; i++) values[i] += values[i - 1];
      pass[axis] = values;
    }
    pass.starts = new Uint32Array(pass.strokes);
    for (let i = 0, start = 0; i < pass.strokes; i++) {
      pass.starts[i] = start;
      start += pass.counts[i] || 2;
    }
    pass.done = new Uint8Array(pass.strokes);
  }
  return header;
}

export class Picture {
  constructor(frame, canvas, head, caption) {
    this.frame = frame;
    this.canvas = canvas;
    this.head = head;
    this.caption = caption;
    this.key = null;
    this.data = null;
    this.waiting = [];
    this.count = 0;
    this.shows = 0;
    this.at = null;
    new ResizeObserver(() => this.draw()).observe(frame);
  }

  // The whole: fetched only when it is another picture. The latest holds, however long each takes to come. Throws when
  // it does not come.
  async show(key, painted) {
    const mine = ++this.shows;
    this.waiting = [];
    if (key === null) {
      this.key = this.data = null;
      this.caption.textContent = "No picture yet.";
      this.draw();
      return;
    }
    if (key !== this.key || this.data === null) {
      this.key = key;
      this.data = null;
      const answer = await fetch(`/picture/${key}`);
      if (mine !== this.shows) return;
      // Another is shown by now, and will be told of.
      if (answer.status === 404) return;
      if (!answer.ok) throw new Error(`the picture was refused (${answer.status})`);
      const data = decode(await answer.arrayBuffer());
      if (mine !== this.shows) return;
      this.data = data;
      this.legend();
    }
    const waited = this.waiting;
    this.waiting = [];
    this.count = 0;
    this.data.passes.forEach((pass, index) => {
      pass.done.fill(0);
      for (const [first, count] of painted[index] ?? []) pass.done.fill(1, first, first + count);
      this.count += pass.done.reduce((sum, one) => sum + one, 0);
    });
    for (const one of waited) this.mark(one);
    this.draw();
  }

  // Strokes painted since: { pass, done: [[first, how many], ...] }.
  paint(step) {
    if (this.data === null) {
      this.waiting.push(step);
      return;
    }
    const fresh = this.mark(step);
    const pass = this.data.passes[step.pass];
    if (pass !== undefined && fresh.length > 0) this.painted(pass, fresh);
    this.label();
  }

  mark({ pass: index, done }) {
    const fresh = [];
    const pass = this.data.passes[index];
    for (const [first, count] of pass === undefined ? [] : done) {
      for (let i = first; i < Math.min(first + count, pass.strokes); i++) {
        if (!pass.done[i]) fresh.push(i);
        pass.done[i] = 1;
      }
    }
    this.count += fresh.length;
    return fresh;
  }

  place(mm) {
    this.at = mm;
    if (mm === null || this.data === null) {
      this.head.hidden = true;
      return;
    }
    const { origin_mm: origin, grid_mm: grid } = this.data;
    const x = ((mm[0] - origin[0]) / grid) * this.scale, y = ((mm[1] - origin[1]) / grid) * this.scale;
    const inside = x >= 0 && y >= 0 && x <= this.frame.clientWidth && y <= this.frame.clientHeight;
    this.head.hidden = !inside;
    this.head.style.transform = `translate(${x}px, ${y}px)`;
  }

  draw() {
    const context = this.canvas.getContext("2d");
    if (this.data === null) {
      this.canvas.width = this.canvas.width;
      this.head.hidden = true;
      return;
    }
    const [wide, high] = this.data.size;
    const width = this.frame.clientWidth;
    if (width === 0) return;
    const height = Math.round((width * high) / wide);
    const density = Math.min(window.devicePixelRatio || 1, DENSITY_MAX);
    this.canvas.style.height = `${height}px`;
    this.canvas.width = Math.round(width * density);
    this.canvas.height = Math.round(height * density);
    this.scale = width / wide;
    context.setTransform(density, 0, 0, density, 0, 0);
    context.lineCap = context.lineJoin = "round";
    for (const pass of this.data.passes) {
      context.globalAlpha = PLANNED_ALPHA;
      context.lineWidth = HAIR_PX;
      context.strokeStyle = pass.colour;
      context.beginPath();
      for (let i = 0; i < pass.strokes; i++) if (!pass.done[i]) this.path(context, pass, i);
      context.stroke();
    }
    context.globalAlpha = 1;
    for (const pass of this.data.passes) {
      const done = [];
      for (let i = 0; i < pass.strokes; i++) if (pass.done[i]) done.push(i);
      this.painted(pass, done);
    }
    this.place(this.at);
    this.label();
  }

  painted(pass, strokes) {
    const context = this.canvas.getContext("2d");
    context.globalAlpha = 1;
    context.strokeStyle = context.fillStyle = pass.colour;
    context.lineWidth = Math.max((pass.tip_mm / this.data.grid_mm) * this.scale, 1);
    context.beginPath();
    for (const i of strokes) if (pass.counts[i] > 0) this.path(context, pass, i);
    context.stroke();
    context.beginPath();
    for (const i of strokes) if (pass.counts[i] === 0) this.path(context, pass, i);
    context.fill();
  }

  path(context, pass, i) {
    const { x, y } = pass, start = pass.starts[i], scale = this.scale;
    if (pass.counts[i] === 0) {
      const half = pass.tip_mm / this.data.grid_mm / 2;
      const radius = Math.max((x[start + 1] - x[start] + half) * scale, 0.5);
      context.moveTo(x[start] * scale + radius, y[start] * scale);
      context.arc(x[start] * scale, y[start] * scale, radius, 0, 2 * Math.PI);
      return;
    }
    context.moveTo(x[start] * scale, y[start] * scale);
    for (let p = start + 1; p < start + pass.counts[i]; p++) context.lineTo(x[p] * scale, y[p] * scale);
  }

  legend() {
    const inks = new Map(this.data.passes.map((pass) => [pass.ink, pass.colour]));
    const list = document.createElement("span");
    list.className = "inks";
    for (const [ink, colour] of inks) {
      const one = document.createElement("span"), patch = document.createElement("span");
      one.className = "ink";
      patch.className = "swatch";
      patch.style.background = colour;
      one.append(patch, ink);
      list.append(one, " ");
    }
    const words = `${this.data.job}: thin lines are planned, full ones painted; the ring is the head, by the motors.`;
    this.caption.replaceChildren(words, list);
  }

  label() {
    const all = this.data.passes.reduce((sum, pass) => sum + pass.strokes, 0);
    this.canvas.dataset.done = this.count;
    this.canvas.setAttribute("aria-label", `${this.data.job}: ${this.count} of ${all} strokes painted`);
  }
}
