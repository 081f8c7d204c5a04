// The rows from far, below 5 pixels each, as image data: for each row of pixels one real control period.

const NOTHING = 255;

// Draw rows into image data of a plot. `view` is in device pixels here: `top` is the row of pixels, counted
// from the top of the whole picture, that the plot begins with, so that the choice does not flicker.
function drawFar(image, model, view, ink) {
  const { width, height } = image;
  const pixels = new Uint32Array(image.data.buffer);
  const scratch = { kind: new Uint8Array(width), share: new Float32Array(width) };
  const behind = { kind: new Uint8Array(width), share: new Float32Array(width) };
  const deadline = Math.round((model.facts.deadline - view.left) / view.scale);
  const chosen = groupsOf(model, view, height);
  for (let y = 0; y < height; y++) {
    const { shown, latest } = chosen[y];
    const line = pixels.subarray(y * width, (y + 1) * width);
    if (shown < 0) {
      line.fill(ink.paperPixel);
      continue;
    }
    // Where the reading has a core of its own, rows of pixels show the two in turn.
    const reader = model.reader !== null && (view.top + y) % 2 !== 0;
    if (reader) layReader(model, view, shown, scratch, width);
    else layRow(model, view, shown, scratch, width);
    const pale = !reader && latest >= 0 && latest !== shown;
    if (pale) layRow(model, view, latest, behind, width);
    for (let x = 0; x < width; x++) {
      const late = x >= deadline ? 1 : 0;
      const kind = scratch.kind[x];
      if (kind === NO_PASS) line[x] = (x + 2 * y) % 6 > 2 ? ink.paperPixel : ink.pixels[late][kind];
      else if (kind !== NOTHING) line[x] = ink.pixels[late][kind];
      else if (pale && behind.kind[x] < NO_PASS) line[x] = ink.pale[late][behind.kind[x]];
      else line[x] = ink.paperPixel;
    }
  }
}

// For each row of pixels: the row shown, the one with the latest pass (drawn pale behind it), the late ones.
function groupsOf(model, view, height) {
  const groups = [];
  for (let y = -2; y < height + 2; y++) groups.push(groupAt(model, view, view.top + y));
  for (let at = 2; at < height + 2; at++) {
    const group = groups[at];
    const alone = group.late === 1 && group.rows > 8;
    const around = groups[at - 2].late + groups[at - 1].late + groups[at + 1].late + groups[at + 2].late;
    // A lone late pass among hundreds is shown itself, two pixels high.
    if (alone && !around && group.latest >= 0) {
      group.shown = group.latest;
      groups[at + 1].shown = group.latest;
    }
  }
  return groups.slice(2, height + 2);
}

function groupAt(model, view, place) {
  const { rows } = model;
  const first = Math.max(0, Math.ceil(place / view.row));
  const last = Math.min(rows.count, Math.ceil((place + 1) / view.row));
  if (last <= first) {
    // Less than one row in this row of pixels: the row that covers its middle.
    const row = Math.floor((place + 0.5) / view.row);
    const inside = row >= 0 && row < rows.count;
    return { rows: 1, shown: inside ? row : -1, latest: -1, late: inside && rows.missed[row] === LATE ? 1 : 0 };
  }
  let shown = first, least = Infinity, latest = -1, worst = -Infinity, late = 0;
  for (let row = first; row < last; row++) {
    const rank = rankOf(row);
    if (rank < least) {
      least = rank;
      shown = row;
    }
    const pass = rows.pass[row];
    if (rows.missed[row] === LATE) late++;
    if (pass < 0) continue;
    const over = model.passes.end[pass] - rows.start[row];
    if (over > worst) {
      worst = over;
      latest = row;
    }
  }
  return { rows: last - first, shown, latest, late };
}

// What is at each pixel of a row: the activity that takes the largest part of it.
function layRow(model, view, row, into, width) {
  into.kind.fill(NOTHING);
  into.share.fill(0);
  const { rows, passes, facts } = model;
  const start = rows.start[row] + view.left;
  const lay = (from, to, kind) => layStretch((from - start) / view.scale, (to - start) / view.scale, kind, into, width);
  const pass = rows.pass[row];
  if (pass < 0) {
    if (rows.running[row] >= 0) lay(rows.start[row], rows.start[row] + facts.period, NO_PASS);
    return;
  }
  lay(rows.start[row], heldUntil(model, row, pass), NO_PASS);
  const { loop, firstOf } = model;
  for (let at = firstOf[pass]; at < firstOf[pass + 1]; at++) lay(loop.start[at], loop.end[at], loop.kind[at]);
  if (!facts.own_core) layHandlers(model, view, passes.start[pass], passes.end[pass], lay);
}

function layReader(model, view, row, into, width) {
  into.kind.fill(NOTHING);
  into.share.fill(0);
  const start = model.rows.start[row] + view.left, end = rowEnd(model, row);
  const lay = (from, to, kind) => layStretch((from - start) / view.scale, (to - start) / view.scale, kind, into, width);
  drawBetween(model.reader, model.rows.start[row], end, lay);
  layHandlers(model, view, model.rows.start[row], end, lay);
}

function layHandlers(model, view, from, until, lay) {
  drawBetween(model.handlers, from, until, (start, end) => {
    if (end - start >= view.scale / 2) lay(start, end, HANDLER);
  });
}

function layStretch(from, to, kind, into, width) {
  const left = Math.max(0, from), right = Math.min(width, to);
  if (right <= left) return;
  for (let x = Math.floor(left); x < right; x++) {
    const share = Math.min(right, x + 1) - Math.max(left, x);
    if (share > into.share[x]) {
      into.share[x] = share;
      into.kind[x] = kind;
    }
  }
}
