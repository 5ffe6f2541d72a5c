// Vacuum over time with the bands of the limits, and a lane for each signal. Drawn on a canvas; what it shows is said beside it too.
export class Chart {
  constructor(canvas) {
    this.canvas = canvas;
    this.clear();
  }

  clear() {
    this.t = [];
    this.level = [];
    this.changes = new Map();
    this.bands = [];
  }

  /** Takes in a frame of samples. */
  add(samples) {
    for (let i = 0; i < samples.t.length; i += 1) {
      // A new run begins again at 0.
      if (this.t.length && samples.t[i] < this.t[this.t.length - 1]) this.clear();
      this.t.push(samples.t[i]);
      this.level.push(samples.level[i]);
    }
    for (const change of samples.changes) {
      const key = `${change.position} ${change.signal}`;
      if (!this.changes.has(key)) this.changes.set(key, []);
      this.changes.get(key).push([change.t, change.on]);
    }
  }

  /** Draws what is there; whether there was room for it. */
  draw(lanes) {
    const { canvas } = this;
    const width = canvas.clientWidth, height = canvas.clientHeight, scale = window.devicePixelRatio || 1;
    if (!width || !height) return false;
    if (canvas.width !== Math.round(width * scale)) canvas.width = Math.round(width * scale);
    if (canvas.height !== Math.round(height * scale)) canvas.height = Math.round(height * scale);
    const style = getComputedStyle(canvas), colour = (name) => style.getPropertyValue(name).trim();
    const pen = canvas.getContext("2d");
    pen.setTransform(scale, 0, 0, scale, 0, 0);
    pen.clearRect(0, 0, width, height);
    pen.font = "13px system-ui, sans-serif";
    const left = 58, right = 12, top = 14, laneHeight = Math.min(20, height * 0.45 / Math.max(1, lanes.length)), bottom = lanes.length * laneHeight + 14;
    const deepest = this.bands.reduce((most, band) => Math.max(most, band.low, band.high), this.level.reduce((most, level) => Math.max(most, level), 0)) || 1;
    const shallowest = this.level.reduce((least, level) => Math.min(least, level), 0);
    const end = Math.max(10, this.t.length ? this.t[this.t.length - 1] : 0), start = Math.max(0, end - 90);
    const x = (t) => left + (t - start) / (end - start) * (width - left - right);
    const plot = height - top - bottom;
    const y = (level) => top + plot * (1 - (level - shallowest) / (deepest * 1.05 - shallowest));
    for (const band of this.bands) {
      const [a, b] = [y(band.low), y(band.high)];
      pen.fillStyle = colour("--band");
      pen.fillRect(left, Math.min(a, b), width - left - right, Math.max(2, Math.abs(a - b)));
    }
    pen.strokeStyle = colour("--quiet");
    pen.fillStyle = colour("--ink");
    pen.lineWidth = 1;
    const step = deepest > 40 ? 20 : deepest > 4 ? Math.ceil(deepest / 4) : deepest / 4;
    for (let level = 0; level <= deepest; level += step) {
      pen.beginPath();
      pen.moveTo(left - 4, y(level));
      pen.lineTo(left, y(level));
      pen.stroke();
      pen.fillText(level.toFixed(step < 1 ? 2 : 0), 4, y(level) + 4);
    }
    pen.beginPath();
    pen.moveTo(left, top);
    pen.lineTo(left, height - bottom);
    pen.lineTo(width - right, height - bottom);
    pen.stroke();
    pen.strokeStyle = colour("--trace");
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
    // Names last, each on its band and beside the others: levels may lie close.
    pen.textBaseline = "middle";
    pen.fillStyle = colour("--ink");
    for (const [index, band] of this.bands.entries()) {
      const at = left + 8 + index * (width - left) / Math.max(1, this.bands.length);
      pen.fillText(band.name, Math.min(at, width - right - pen.measureText(band.name).width), y((band.low + band.high) / 2));
    }
    pen.textBaseline = "alphabetic";
    lanes.forEach((key, index) => {
      const low = height - bottom + 12 + (index + 1) * laneHeight - 4, high = low - laneHeight * 0.6;
      pen.fillStyle = colour("--ink");
      pen.fillText(key.replace("switch", "out").replace("valve", "valve"), 4, low);
      pen.strokeStyle = colour("--ink");
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
    });
    return true;
  }
}
