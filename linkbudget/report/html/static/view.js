// The main picture: what part of it is in view, how it is drawn, how one moves in it.

const GUTTER = 104, AXIS = 26;
const NEAR_ROW = 5, READING_ROW = 18, BIT_ROW = 84, BIT_WIDTH = 24;

class RowsView {
  constructor(canvas, model, told) {
    this.canvas = canvas;
    this.model = model;
    this.told = told; // called after each drawing
    this.cursor = null; // row and instant that the sentence is about
    this.resize();
    this.home();
  }

  resize() {
    const box = this.canvas.getBoundingClientRect();
    this.ratio = Math.max(printing() ? 2 : 1, window.devicePixelRatio || 1);
    this.outer = { width: Math.max(200, box.width), height: Math.max(120, box.height) };
    this.canvas.width = Math.round(this.outer.width * this.ratio);
    this.canvas.height = Math.round(this.outer.height * this.ratio);
    this.width = this.outer.width - GUTTER;
    this.height = this.outer.height - AXIS;
    this.ink = inkOf(this.canvas);
    const { rows, facts } = this.model;
    this.fit = { row: Math.min(this.height / Math.max(1, rows.count), 40), scale: (facts.row_length * 1.01) / this.width };
    this.fit.reading = Math.max(READING_ROW, this.fit.row);
    this.fit.bits = Math.min(this.fit.scale, facts.bit / BIT_WIDTH);
  }

  isWhole() {
    return this.row <= this.fit.row && this.scale >= this.fit.scale;
  }

  home() {
    this.row = this.fit.row;
    this.scale = this.fit.scale;
    this.top = 0;
    this.left = 0;
    this.changed();
  }

  // Nearer or further: from the whole capture the rows open first, to where they read well; then time does.
  zoom(factor, x, y) {
    const row = this.top + y / this.row, at = this.left + x * this.scale;
    if (factor > 1 && this.row < this.fit.reading - 1e-9) this.row = Math.min(this.fit.reading, this.row * factor);
    else if (factor > 1 || this.scale < this.fit.scale - 1e-12) this.openTime(this.scale / factor);
    else this.row = Math.max(this.fit.row, this.row * factor);
    this.top = row - y / this.row;
    this.left = at - x * this.scale;
    this.changed();
  }

  // With keys and buttons: about the place the sentence is about, when it is in view, else about the middle.
  zoomAbout(factor) {
    const { cursor, width, height } = this;
    const x = cursor ? (cursor.at - this.model.rows.start[cursor.row] - this.left) / this.scale : -1;
    const y = cursor ? (cursor.row + 0.5 - this.top) * this.row : -1;
    const inView = x >= 0 && x <= width && y >= 0 && y <= height;
    this.zoom(factor, inView ? x : width / 2, inView ? y : height / 2);
  }

  openTime(scale) {
    const { fit } = this;
    this.scale = Math.min(fit.scale, Math.max(fit.bits / 4, scale));
    const part = fit.scale > fit.bits ? Math.log(fit.scale / this.scale) / Math.log(fit.scale / fit.bits) : 1;
    this.row = Math.max(fit.reading, READING_ROW * (BIT_ROW / READING_ROW) ** Math.min(1, Math.max(0, part)));
  }

  move(right, down) {
    this.left += right * this.scale;
    this.top += down / this.row;
    this.changed();
  }

  // Bring a row and an instant to the middle of the view.
  goTo(row, at) {
    this.top = row + 0.5 - this.height / this.row / 2;
    this.left = at - this.model.rows.start[row] - (this.width / 2) * this.scale;
    this.changed();
    this.cursor = { row, at };
  }

  showRow(row) {
    const { rows, facts } = this.model;
    this.row = Math.max(this.row, this.fit.reading);
    this.goTo(row, rows.start[row] + facts.deadline);
  }

  toMissed(direction) {
    const from = this.cursor ? this.cursor.row : direction > 0 ? -1 : this.model.rows.count;
    const row = nextMissed(this.model, from, direction);
    if (row >= 0) this.showRow(row);
    return row;
  }

  toBits() {
    const { bytes, rows } = this.model;
    if (!bytes.count) return;
    const near = this.cursor ? this.cursor.at : rows.start[Math.max(0, Math.floor(this.top))];
    const byte = Math.min(bytes.count - 1, upTo(bytes.arrival, near));
    const at = (bytes.start[byte] + bytes.arrival[byte]) / 2;
    this.openTime(this.fit.bits);
    this.goTo(this.rowAt(at), at);
  }

  rowAt(at) {
    return Math.max(0, Math.min(this.model.rows.count - 1, upTo(this.model.rows.start, at) - 1));
  }

  // The row and the instant under a place of the canvas, null outside of the rows.
  under(x, y) {
    const row = Math.floor(this.top + (y - AXIS) / this.row);
    if (x < GUTTER || y < AXIS || row < 0 || row >= this.model.rows.count) return null;
    return { row, at: this.model.rows.start[row] + this.left + (x - GUTTER) * this.scale };
  }

  changed() {
    const { rows, facts } = this.model;
    this.left = Math.min(Math.max(this.left, 0), Math.max(0, facts.row_length * 1.01 - this.width * this.scale));
    this.top = Math.min(Math.max(this.top, 0), Math.max(0, rows.count - this.height / this.row));
    if (this.row < NEAR_ROW) {
      // Whole pixels, so that the rows chosen from far stay the same ones while the view moves.
      const step = this.row * this.ratio;
      this.top = Math.round(this.top * step) / step;
    }
    if (!this.waiting) {
      this.waiting = true;
      requestAnimationFrame(() => this.draw());
    }
  }

  draw() {
    this.waiting = false;
    const context = this.canvas.getContext("2d");
    context.setTransform(1, 0, 0, 1, 0, 0);
    context.fillStyle = this.ink.paper;
    context.fillRect(0, 0, this.canvas.width, this.canvas.height);
    if (this.row < NEAR_ROW) this.drawFromFar(context);
    context.setTransform(this.ratio, 0, 0, this.ratio, 0, 0);
    context.save();
    context.beginPath();
    context.rect(GUTTER, AXIS, this.width, this.height);
    context.clip();
    context.translate(GUTTER, AXIS);
    this.drawGuides(context);
    if (this.row >= NEAR_ROW) drawNear(context, this.model, this, this.ink);
    this.drawDeadline(context);
    context.restore();
    this.drawAxis(context);
    this.drawRowNames(context);
    this.told(this);
  }

  drawFromFar(context) {
    const { ratio } = this;
    const left = Math.round(GUTTER * ratio), top = Math.round(AXIS * ratio);
    const image = context.createImageData(this.canvas.width - left, this.canvas.height - top);
    const step = this.row * ratio;
    drawFar(image, this.model, { top: Math.round(this.top * step), row: step, left: this.left, scale: this.scale / ratio }, this.ink);
    context.putImageData(image, left, top);
  }

  // Where the next release lies, when the deadline is another instant.
  drawGuides(context) {
    const { facts } = this.model;
    if (facts.free || facts.period === facts.deadline) return;
    context.strokeStyle = this.ink.rule;
    context.setLineDash([3, 3]);
    this.upright(context, facts.period, 1);
    context.setLineDash([]);
  }

  drawDeadline(context) {
    context.strokeStyle = this.ink.deadline;
    this.upright(context, this.model.facts.deadline, 2);
  }

  upright(context, at, width) {
    const x = (at - this.left) / this.scale;
    const rows = Math.min(this.height, (this.model.rows.count - this.top) * this.row);
    context.lineWidth = width;
    context.beginPath();
    context.moveTo(x, 0);
    context.lineTo(x, rows);
    context.stroke();
  }

  drawAxis(context) {
    const { facts } = this.model;
    const { ink } = this;
    context.font = `11px ${ink.font}`;
    context.textBaseline = "alphabetic";
    context.textAlign = "center";
    const deadline = GUTTER + (facts.deadline - this.left) / this.scale;
    const text = "deadline " + duration(facts.deadline);
    const half = context.measureText(text).width / 2 + 6;
    const step = niceStep(this.scale * 90);
    for (let at = Math.ceil(this.left / step) * step; at <= this.left + this.width * this.scale; at += step) {
      const x = GUTTER + (at - this.left) / this.scale;
      context.fillStyle = ink.rule;
      context.fillRect(x - 0.5, AXIS - 5, 1, 5);
      if (Math.abs(x - deadline) < half + 26 || x > this.outer.width - 18) continue;
      context.fillStyle = ink.soft;
      context.fillText(duration(at), Math.max(x, GUTTER + 6), AXIS - 9);
    }
    if (deadline < GUTTER || deadline > this.outer.width) return;
    context.fillStyle = ink.deadline;
    context.font = `bold 11px ${ink.font}`;
    context.fillText(text, Math.min(deadline, this.outer.width - half), AXIS - 9);
    context.fillRect(deadline - 1, AXIS - 6, 2, 6);
  }

  drawRowNames(context) {
    const { rows, facts } = this.model;
    const { ink } = this;
    context.textBaseline = "middle";
    context.textAlign = "right";
    context.font = `11px ${ink.font}`;
    context.fillStyle = ink.soft;
    context.fillText(facts.free ? "pass started" : "released", GUTTER - 10, AXIS - 13);
    const every = Math.max(1, niceStep(READING_ROW / this.row));
    const last = Math.min(rows.count, Math.ceil(this.top + this.height / this.row));
    for (let row = Math.ceil(this.top / every) * every; row < last; row += every) {
      const bands = bandsOf(this.model, this.row);
      const y = AXIS + (row - this.top) * this.row + (this.row < READING_ROW ? 0 : bands.pad + bands.whole / 2);
      if (y < AXIS || y > this.outer.height - 4) continue;
      const cursor = this.cursor && this.cursor.row === row && this.row >= READING_ROW;
      context.fillStyle = cursor ? ink.text : ink.soft;
      context.font = `${cursor ? "bold " : ""}11px ${ink.font}`;
      context.fillText(shortInstant(facts, rows.start[row]), GUTTER - 10, y);
      if (this.row < READING_ROW) context.fillRect(GUTTER - 7, y - 0.5, 5, 1);
      else if (rows.missed[row]) drawMissMark(context, ink, GUTTER - 4, y);
    }
  }
}

function drawMissMark(context, ink, x, y) {
  context.fillStyle = ink.deadline;
  context.beginPath();
  context.moveTo(x - 3, y - 4);
  context.lineTo(x + 2, y);
  context.lineTo(x - 3, y + 4);
  context.fill();
}

// The next of 1, 2, 5, 10, 20 ... at or above a value.
function niceStep(least) {
  const power = 10 ** Math.floor(Math.log10(least));
  return [1, 2, 5, 10].map((part) => part * power).find((step) => step >= least * 0.999999);
}

function shortInstant(facts, ns) {
  const text = instant(facts, ns);
  return text.slice(0, text.indexOf(".") + 2) + " ms";
}

function printing() {
  return window.matchMedia("print").matches;
}
