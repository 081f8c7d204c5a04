// The rows from near, 5 pixels each and more, as rectangles; bytes below them, at last with their bits.

const BIT_ROOM = 4, LETTER_ROOM = 15, TEXT_ROW = 14;

function drawNear(context, model, view, ink) {
  const first = Math.max(0, Math.floor(view.top));
  const last = Math.min(model.rows.count, Math.ceil(view.top + view.height / view.row));
  for (let row = first; row < last; row++) drawRow(context, model, view, ink, row);
}

function bandsOf(model, height) {
  const pad = height < 10 ? 0.5 : Math.min(5, height * 0.16);
  const whole = height < 9 ? height - 2 * pad : Math.min(height * 0.5, 28);
  const parts = model.reader === null ? 1 : 2;
  return { pad, whole, one: whole / parts, below: pad + whole };
}

function drawRow(context, model, view, ink, row) {
  const { rows, passes, facts } = model;
  const y = Math.round((row - view.top) * view.row * view.ratio) / view.ratio; // whole pixels: sharp edges
  const x = (at) => (at - rows.start[row] - view.left) / view.scale;
  const bands = bandsOf(model, view.row);
  const pass = rows.pass[row];
  const edge = x(rows.start[row] + facts.deadline);
  if (view.row >= TEXT_ROW) {
    context.fillStyle = ink.rule;
    context.globalAlpha = 0.5;
    context.fillRect(0, y, view.width, 1);
    context.globalAlpha = 1;
  }
  const paint = (from, to, kind, top, height) => {
    const left = Math.max(x(from), -2), right = Math.min(x(to), view.width + 2);
    if (right <= left) return;
    fill(context, ink.textures[0][kind], left, Math.min(right, edge), top, height);
    fill(context, ink.textures[1][kind], Math.max(left, edge), right, top, height);
  };
  const bandTop = y + bands.pad;
  if (pass >= 0) {
    paint(rows.start[row], heldUntil(model, row, pass), NO_PASS, bandTop, bands.whole);
    const place = { start: rows.start[row] + view.left, scale: view.scale, width: Math.ceil(view.width) };
    drawStretches(model.loop, model.firstOf[pass], model.firstOf[pass + 1], place, (from, to, kind) =>
      paint(from, to, kind, bandTop, bands.one),
    );
    drawEnd(context, model, view, ink, { row, pass, x, y, bands });
  } else if (rows.running[row] >= 0) {
    drawNoPass(context, model, view, ink, { row, x, y, bands, paint });
  }
  // Beyond its own period a row goes on only with a pass that began in it.
  const own = rowEnd(model, row);
  const until = pass >= 0 && passes.start[pass] < own ? Math.max(own, passes.end[pass]) : own;
  const handlerTop = model.reader === null ? bandTop : bandTop + bands.one;
  if (model.reader !== null) {
    const first = upTo(model.reader.end, rows.start[row]), last = upTo(model.reader.start, own - 1);
    const place = { start: rows.start[row] + view.left, scale: view.scale, width: Math.ceil(view.width) };
    drawStretches(model.reader, first, last, place, (from, to, kind) =>
      paint(Math.max(from, rows.start[row]), Math.min(to, own), kind, handlerTop, bands.one),
    );
  }
  drawBetween(model.handlers, rows.start[row], until, (from, to) => {
    if (to - from >= view.scale / 2) paint(from, to, HANDLER, handlerTop, bands.one);
  });
  if (model.marked !== null && view.row >= TEXT_ROW) drawMarked(context, model, ink, { row, x, y });
  if (view.row >= 8) drawBytes(context, model, view, ink, { row, x, y, bands, until });
}

function fill(context, style, left, right, top, height) {
  if (right <= left) return;
  context.fillStyle = style;
  context.fillRect(left, top, right - left, height);
}

function drawStretches(list, first, last, place, paint) {
  if (last - first > 2 * place.width) drawDense(list, first, last, place, paint);
  else for (let at = first; at < last; at++) paint(list.start[at], list.end[at], list.kind[at]);
}

// With more stretches than pixels: at each pixel the one that takes the largest part of it.
function drawDense(list, first, last, { start, scale, width }, paint) {
  const into = { kind: new Uint8Array(width).fill(NOTHING), share: new Float32Array(width) };
  for (let at = first; at < last; at++) {
    layStretch((list.start[at] - start) / scale, (list.end[at] - start) / scale, list.kind[at], into, width);
  }
  for (let x = 0, begin = 0; x <= width; x++) {
    if (x < width && into.kind[x] === into.kind[begin]) continue;
    if (into.kind[begin] !== NOTHING) paint(start + begin * scale, start + x * scale, into.kind[begin]);
    begin = x;
  }
}

function drawBetween(list, from, until, paint) {
  let at = Math.max(0, upTo(list.start, from) - 1);
  if (at < list.count && list.end[at] <= from) at++;
  for (; at < list.count && list.start[at] < until; at++) {
    paint(Math.max(from, list.start[at]), Math.min(until, list.end[at]), list.kind ? list.kind[at] : HANDLER);
  }
}

// What the controller marked, as a rule over the row; thick where the model does not explain its length.
function drawMarked(context, model, ink, { row, x, y }) {
  const { marked, rows } = model;
  const until = rowEnd(model, row);
  for (let at = upTo(marked.start, rows.start[row] - 1); at < marked.count && marked.start[at] < until; at++) {
    const left = x(marked.start[at]), right = x(marked.end[at]);
    const thick = marked.unexplained[at] ? 3 : 1;
    context.fillStyle = ink.text;
    context.globalAlpha = marked.shortest[at] < marked.longest[at] ? 0.5 : 1;
    context.fillRect(left, y + 1, Math.max(1, right - left), thick);
    context.fillRect(right - 1, y + 1, 1, Math.max(4, thick));
    context.globalAlpha = 1;
  }
}

// Where a late pass ended: how much too late, and an arrow where it goes on beyond the picture.
function drawEnd(context, model, view, ink, { row, pass, x, y, bands }) {
  const { passes, rows, facts } = model;
  if (rows.missed[row] !== LATE || view.row < TEXT_ROW) return;
  const end = x(passes.end[pass]);
  const over = duration(passes.end[pass] - passes.release[pass] - facts.deadline);
  const middle = y + bands.pad + bands.whole / 2;
  context.font = `11px ${ink.font}`;
  context.textBaseline = "middle";
  context.fillStyle = ink.text;
  const text = "+" + over;
  const room = context.measureText(text).width + 8;
  if (end > view.width - 4) {
    context.textAlign = "right";
    onPaper(context, ink, text + " ▸", view.width - 4, middle);
  } else if (end >= 0) {
    context.textAlign = end + room > view.width ? "right" : "left";
    if (context.textAlign === "left") context.fillText(text, end + 5, middle);
    else onPaper(context, ink, text, end - 5, middle);
  }
}

function onPaper(context, ink, text, x, y) {
  context.lineWidth = 4;
  context.lineJoin = "round";
  context.strokeStyle = ink.paper;
  context.strokeText(text, x, y);
  context.fillStyle = ink.text;
  context.fillText(text, x, y);
}

function drawNoPass(context, model, view, ink, { row, x, y, bands, paint }) {
  const { rows, facts } = model;
  paint(rows.start[row], rows.start[row] + facts.period, NO_PASS, y + bands.pad, bands.whole);
  if (view.row < TEXT_ROW) return;
  context.font = `11px ${ink.font}`;
  context.textAlign = "left";
  context.textBaseline = "middle";
  const left = Math.max(6, x(rows.start[row]) + 6);
  if (x(rows.start[row] + facts.period) < left) return;
  onPaper(context, ink, `no pass: ${(rows.running[row] + 1).toLocaleString("en-US")} is still running`, left, y + bands.pad + bands.whole / 2);
}

// Bytes as ticks where they have come; where there is room, as long as they are, with their value and bits.
function drawBytes(context, model, view, ink, { row, x, y, bands, until }) {
  const { bytes, rows, facts } = model;
  const from = Math.max(rows.start[row], rows.start[row] + view.left);
  const to = Math.min(until, rows.start[row] + view.left + view.width * view.scale + facts.character);
  const own = rowEnd(model, row);
  const top = y + bands.below + 1.5;
  const height = Math.max(2, view.row - bands.below - 3);
  const wide = facts.character / view.scale;
  const bits = facts.bit / view.scale >= BIT_ROOM && height > 34;
  const place = { top, height: bits ? height : Math.min(height, view.row < 30 ? 9 : 15), wide };
  let last = -1;
  for (let at = upTo(bytes.arrival, from - 1); at < bytes.count && bytes.start[at] < to; at++) {
    const lost = LOST_WHERE[facts.character_fates[bytes.fate[at]]] !== undefined;
    const end = x(bytes.arrival[at]);
    if (end < last + 0.5 && !lost) continue; // a tick is there already
    last = end;
    context.globalAlpha = bytes.arrival[at] > own ? 0.45 : 1;
    context.fillStyle = lost ? ink.lost : ink.text;
    if (bits) {
      drawBits(context, model, ink, at, x, place);
    } else if (wide >= 4) {
      drawLong(context, model, ink, at, x, place);
    } else if (bytes.arrival[at] < to) {
      context.fillRect(end - 0.5, place.top, 1, place.height);
    }
    if (lost) drawLost(context, ink, end, place);
  }
  context.globalAlpha = 1;
}

function drawLong(context, model, ink, at, x, { top, height, wide }) {
  const { bytes } = model;
  const left = x(bytes.start[at]), right = x(bytes.arrival[at]);
  context.fillRect(left + 0.5, top + height - 1.5, right - left - 1, 1.5);
  context.fillRect(right - 1, top, 1, height);
  if (wide < LETTER_ROOM || height < 7) return;
  context.font = `${height < 14 ? 10 : 13}px ${ink.font}`;
  context.textAlign = "center";
  context.textBaseline = "alphabetic";
  context.fillText(glyph(model.facts, bytes.value[at]), (left + right) / 2, top + height - 3);
}

// A lost byte is crossed out, so that it shows without colour.
function drawLost(context, ink, end, { top }) {
  context.strokeStyle = ink.lost;
  context.lineWidth = 1.4;
  context.beginPath();
  context.moveTo(end - 3, top);
  context.lineTo(end + 3, top + 6);
  context.moveTo(end + 3, top);
  context.lineTo(end - 3, top + 6);
  context.stroke();
}

function glyph(facts, value) {
  if (value > 32 && value < 127) return String.fromCharCode(value);
  return value.toString(16).padStart(facts.line.bytesize === 9 ? 3 : 2, "0");
}

// The levels of a character on the wire, bit by bit, with what each of them is.
function levelsOf(facts, value, flags) {
  const { bytesize, parity, stopbits, inverted } = facts.line;
  const cut = flags & 4;
  const levels = [{ name: "start", level: 0, length: 1 }];
  let ones = 0;
  for (let bit = 0; bit < bytesize; bit++) {
    const level = cut ? 0 : Math.floor(value / 2 ** bit) % 2;
    ones += level;
    levels.push({ name: String(level), level, length: 1 });
  }
  if (parity !== "N") {
    const right = { E: ones % 2, O: 1 - (ones % 2), M: 1, S: 0 }[parity];
    const level = cut ? 0 : flags & 2 ? 1 - right : right;
    levels.push({ name: "parity", level, length: 1 });
  }
  levels.push({ name: "stop", level: flags & 5 ? 0 : 1, length: stopbits });
  if (inverted) for (const one of levels) one.level = 1 - one.level;
  return levels;
}

// Low bits hang down from the line, high ones leave it bare: what is dark is what pulls the line down.
function drawBits(context, model, ink, at, x, { top, height }) {
  const { bytes, facts } = model;
  const hang = height - 27;
  const levels = levelsOf(facts, bytes.value[at], bytes.flags[at]);
  const room = facts.bit / (facts.character / (x(bytes.arrival[at]) - x(bytes.start[at])));
  context.fillRect(x(bytes.start[at]), top, x(bytes.arrival[at]) - x(bytes.start[at]), 1);
  context.textBaseline = "alphabetic";
  context.textAlign = "center";
  let begin = bytes.start[at];
  levels.forEach(({ name, level, length }, bit) => {
    const last = bit === levels.length - 1;
    const end = last ? bytes.arrival[at] : bytes.start[at] + (bit + length) * facts.bit;
    const left = x(begin), right = x(end);
    if (!level) context.fillRect(left, top, right - left + 0.3, hang); // no seam between low ones
    context.font = `10px ${ink.font}`;
    const label = name === "parity" ? "par" : name;
    if (context.measureText(label).width < room) context.fillText(label, (left + right) / 2, top + hang + 11);
    begin = end;
  });
  // The character below its bits, its length as a rule with the arrival at its right end.
  const left = x(bytes.start[at]), right = x(bytes.arrival[at]);
  context.fillRect(left + 2, top + hang + 19, right - left - 3, 1);
  context.fillRect(right - 1, top + hang + 14, 1, 6);
  context.font = `bold 12px ${ink.font}`;
  const name = glyph(facts, bytes.value[at]);
  const half = context.measureText(name).width / 2 + 4;
  const middle = Math.min(Math.max((left + right) / 2, Math.min(half, right - half)), Math.max(right - half, left + half));
  const mark = context.fillStyle;
  context.fillStyle = ink.paper;
  context.fillRect(middle - half, top + hang + 15, 2 * half, 9);
  context.fillStyle = mark;
  context.fillText(name, middle, top + hang + 24);
}
