// Vacuum over time with the bands of the limits, and a lane for each signal, on a canvas. The page also gives the figures as text.

/** The part of a run that is shown and kept, in seconds. */
const SHOWN_S = 90;
const MARGIN = { left: 58, right: 12, top: 14 }, LANE = 20, LANES_SHARE = 0.45;
const COLOURS = ["--band", "--quiet", "--ink", "--trace", "--card"];

export class Chart {
  /** `sized` is called when the size of the canvas changes. */
  constructor(canvas, sized) {
    this.canvas = canvas;
    this.pen = canvas.getContext("2d");
    [this.width, this.height] = [0, 0];
    // Reading the size at each drawing would force a layout of the whole page.
    new ResizeObserver(([entry]) => { ({ width: this.width, height: this.height } = entry.contentRect); sized(); }).observe(canvas);
    this.clear();
  }

  clear() {
    this.t = [];
    this.level = [];
    [this.deepest, this.shallowest] = [0, 0];
    this.changes = new Map();
    this.bands = [];
  }

  /** Adds a frame of samples. */
  add(samples) {
    for (let i = 0; i < samples.t.length; i += 1) {
      // The time of a new run starts at 0.
      if (this.t.length && samples.t[i] < this.t[this.t.length - 1]) this.clear();
      this.t.push(samples.t[i]);
      this.level.push(samples.level[i]);
      this.deepest = Math.max(this.deepest, samples.level[i]);
      this.shallowest = Math.min(this.shallowest, samples.level[i]);
    }
    for (const change of samples.changes) {
      const key = `${change.position} ${change.signal}`;
      if (!this.changes.has(key)) this.changes.set(key, []);
      this.changes.get(key).push([change.t, change.on]);
    }
    this.forget();
  }

  /** Drops samples that are no longer shown. */
  forget() {
    const from = this.t[this.t.length - 1] - SHOWN_S, old = this.t.findIndex((t) => t >= from);
    // In batches: each removal moves all remaining samples.
    if (old > 500) {
      this.t.splice(0, old);
      this.level.splice(0, old);
    }
    for (const lane of this.changes.values()) while (lane.length > 1 && lane[1][0] < from) lane.shift();
  }

  /** Reads the colours of the chosen look, once after each change. */
  colours() {
    const { look } = document.documentElement.dataset;
    if (this.look !== look) {
      const style = getComputedStyle(document.documentElement);
      this.look = look;
      [this.band, this.quiet, this.ink, this.trace, this.card] = COLOURS.map((name) => style.getPropertyValue(name).trim());
    }
  }

  /** Draws everything; returns `false` if the canvas has no size. */
  draw(lanes) {
    const { canvas, pen, width, height } = this, scale = window.devicePixelRatio || 1;
    if (!width || !height) return false;
    if (canvas.width !== Math.round(width * scale)) canvas.width = Math.round(width * scale);
    if (canvas.height !== Math.round(height * scale)) canvas.height = Math.round(height * scale);
    this.colours();
    pen.setTransform(scale, 0, 0, scale, 0, 0);
    pen.clearRect(0, 0, width, height);
    pen.font = "13px system-ui, sans-serif";
    const plot = this.plot(lanes);
    this.drawBands(plot);
    this.drawAxes(plot);
    this.drawLevel(plot);
    this.drawNames(plot);
    lanes.forEach((key, index) => this.drawLane(plot, key, index));
    return true;
  }

  /** The geometry of the plot: functions from time and level to canvas coordinates. */
  plot(lanes) {
    const { width, height } = this, { left, right, top } = MARGIN;
    const lane = Math.min(LANE, height * LANES_SHARE / Math.max(1, lanes.length)), bottom = height - lanes.length * lane - top;
    const deepest = this.bands.reduce((most, band) => Math.max(most, band.low, band.high), this.deepest) || 1;
    const end = Math.max(10, this.t.length ? this.t[this.t.length - 1] : 0), start = Math.max(0, end - SHOWN_S);
    const x = (t) => left + (t - start) / (end - start) * (width - left - right);
    const y = (level) => top + (bottom - top) * (1 - (level - this.shallowest) / (deepest * 1.05 - this.shallowest));
    return { x, y, start, end, bottom, lane, deepest };
  }

  drawBands({ y }) {
    this.pen.fillStyle = this.band;
    for (const band of this.bands) {
      const [a, b] = [y(band.low), y(band.high)];
      this.pen.fillRect(MARGIN.left, Math.min(a, b), this.width - MARGIN.left - MARGIN.right, Math.max(2, Math.abs(a - b)));
    }
  }

  drawAxes({ y, bottom, deepest }) {
    const { pen } = this, { left, right, top } = MARGIN;
    pen.strokeStyle = this.quiet;
    pen.fillStyle = this.ink;
    pen.lineWidth = 1;
    const step = deepest > 40 ? 20 : deepest > 4 ? Math.ceil(deepest / 4) : deepest / 4;
    pen.beginPath();
    for (let level = 0; level <= deepest; level += step) {
      pen.moveTo(left - 4, y(level));
      pen.lineTo(left, y(level));
      pen.fillText(level.toFixed(step < 1 ? 2 : 0), 4, y(level) + 4);
    }
    pen.moveTo(left, top);
    pen.lineTo(left, bottom);
    pen.lineTo(this.width - right, bottom);
    pen.stroke();
  }

  drawLevel({ x, y, start }) {
    const { pen } = this;
    pen.strokeStyle = this.trace;
    pen.lineWidth = 2;
    pen.beginPath();
    let begun = false;
    for (let i = 0; i < this.t.length; i += 1) {
      if (this.t[i] < start) continue;
      if (begun) pen.lineTo(x(this.t[i]), y(this.level[i]));
      else pen.moveTo(x(this.t[i]), y(this.level[i]));
      begun = true;
    }
    pen.stroke();
  }

  /** Writes the names of the bands side by side, as levels may be close together. */
  drawNames({ y }) {
    const { pen, width } = this, { left, right } = MARGIN;
    pen.textBaseline = "middle";
    pen.fillStyle = this.ink;
    // An outline keeps the names legible where the curve crosses them.
    pen.strokeStyle = this.card;
    pen.lineWidth = 4;
    pen.lineJoin = "round";
    for (const [index, band] of this.bands.entries()) {
      const at = left + 8 + index * (width - left) / Math.max(1, this.bands.length);
      const x = Math.min(at, width - right - pen.measureText(band.name).width), middle = y((band.low + band.high) / 2);
      pen.strokeText(band.name, x, middle);
      pen.fillText(band.name, x, middle);
    }
    pen.textBaseline = "alphabetic";
  }

  drawLane({ x, start, end, bottom, lane }, key, index) {
    const { pen } = this, low = bottom + 12 + (index + 1) * lane - 4, high = low - lane * 0.6;
    pen.fillStyle = this.ink;
    pen.fillText(key.replace("switch", "out"), 4, low);
    pen.strokeStyle = this.ink;
    pen.lineWidth = 1.5;
    pen.beginPath();
    let on = false, at = start;
    for (const [t, state] of this.changes.get(key) ?? []) {
      if (t >= start) {
        pen.moveTo(x(at), on ? high : low);
        pen.lineTo(x(t), on ? high : low);
        pen.lineTo(x(t), state ? high : low);
        at = t;
      }
      on = state;
    }
    pen.moveTo(x(Math.max(at, start)), on ? high : low);
    pen.lineTo(x(end), on ? high : low);
    pen.stroke();
  }
}
