// What the pictures are drawn from: rows (one per control period), passes, stretches, bytes, messages.

const KEPT_IN_TIME = 0, LATE = 1, SKIPPED = 2;

function buildModel(facts, columns) {
  const model = { facts, columns };
  const count = columns["pass.release"].length;
  model.passes = {
    count,
    release: columns["pass.release"],
    start: added(columns["pass.release"], columns["pass.begin"]),
  };
  model.passes.end = added(model.passes.start, columns["pass.length"]);
  model.passes.work = added(model.passes.start, columns["pass.work"]);
  model.loop = stretches(columns, "loop");
  model.reader = facts.own_core ? stretches(columns, "reader") : null;
  model.handlers = stretches(columns, "handler");
  model.bytes = bytesOf(facts, columns);
  model.messages = messagesOf(columns, count);
  model.marked = facts.marked === null ? null : markedOf(columns);
  model.firstOf = firstStretches(model.loop, model.passes);
  model.rows = rowsOf(facts, columns, model.passes);
  return model;
}

function added(one, other) {
  const sum = new Float64Array(one.length);
  for (let at = 0; at < sum.length; at++) sum[at] = one[at] + other[at];
  return sum;
}

function stretches(columns, name) {
  const gap = columns[name + ".gap"], length = columns[name + ".length"];
  const start = new Float64Array(gap.length), end = new Float64Array(gap.length);
  let now = 0;
  for (let at = 0; at < gap.length; at++) {
    start[at] = now + gap[at];
    now = end[at] = start[at] + length[at];
  }
  return { count: gap.length, start, end, kind: columns[name + ".kind"] };
}

function bytesOf(facts, columns) {
  const arrival = columns["byte.arrival"], longer = columns["byte.longer"], fate = columns["byte.fate"];
  const kept = columns["byte.kept"];
  const count = arrival.length;
  const reached = facts.character_fates.map((name) => !(name in LOST_WHERE));
  const start = new Float64Array(count), receivedAt = new Float64Array(count);
  const takenAt = new Float64Array(count), takenIndex = new Int32Array(count);
  let received = 0, taken = 0;
  for (let at = 0; at < count; at++) {
    start[at] = arrival[at] - facts.character - longer[at];
    if (!reached[fate[at]]) continue;
    receivedAt[received++] = arrival[at];
    if (!kept || !kept[at]) continue;
    // Bytes are taken in the order in which they came.
    takenIndex[taken] = at;
    takenAt[taken++] = arrival[at] + kept[at] - 1;
  }
  return {
    count, arrival, start, fate,
    value: columns["byte.value"],
    flags: columns["byte.flags"],
    receivedAt: receivedAt.subarray(0, received),
    takenAt: kept ? takenAt.subarray(0, taken) : null,
    takenIndex: takenIndex.subarray(0, taken),
  };
}

function messagesOf(columns, passCount) {
  const found = stretches(columns, "message");
  found.name = columns["message.name"];
  found.fate = columns["message.fate"];
  found.usedBy = columns["message.used_by"];
  found.usedIn = new Int32Array(passCount).fill(-1);
  for (let at = 0; at < found.count; at++) {
    if (found.usedBy[at] > 0) found.usedIn[found.usedBy[at] - 1] = at;
  }
  return found;
}

// What the controller marked while the capture was made; its passes or reading steps do not overlap.
function markedOf(columns) {
  const start = columns["marked.start"], longest = columns["marked.longest"];
  return {
    count: start.length, start, longest,
    end: added(start, longest),
    shortest: columns["marked.shortest"],
    modelled: columns["marked.modelled"],
    unexplained: columns["marked.unexplained"],
  };
}

// The first stretch of each pass; those in which it was kept from starting belong to it.
function firstStretches(loop, passes) {
  const first = new Int32Array(passes.count + 1);
  let at = 0;
  for (let pass = 0; pass < passes.count; pass++) {
    first[pass] = at;
    while (at < loop.count && loop.start[at] < passes.end[pass]) at++;
  }
  first[passes.count] = at;
  return first;
}

function rowsOf(facts, columns, passes) {
  return facts.free ? freeRows(facts, passes) : releasedRows(facts, columns, passes);
}

function freeRows(facts, passes) {
  const lead = facts.phase > 0 || !passes.count ? 1 : 0;
  const rows = emptyRows(passes.count + lead, lead);
  for (let pass = 0; pass < passes.count; pass++) {
    rows.start[pass + lead] = passes.start[pass];
    rows.pass[pass + lead] = pass;
    rows.missed[pass + lead] = passes.end[pass] > passes.release[pass] + facts.deadline ? LATE : KEPT_IN_TIME;
  }
  rows.end = Math.max(facts.end, passes.count ? passes.end[passes.count - 1] : 0);
  return rows;
}

function releasedRows(facts, columns, passes) {
  const { phase, period } = facts;
  const skipped = columns.skipped;
  const lead = Math.ceil(phase / period);
  const lastRelease = Math.max(phase, lastOf(passes.release), lastOf(skipped));
  const after = Math.max(Math.round((lastRelease - phase) / period) + 1, Math.ceil((facts.end - phase) / period));
  const rows = emptyRows(lead + after, lead);
  for (let row = 0; row < rows.count; row++) rows.start[row] = phase + (row - lead) * period;
  rows.end = phase + after * period;
  const rowOf = (release) => lead + Math.round((release - phase) / period);
  for (let pass = 0; pass < passes.count; pass++) {
    const row = rowOf(passes.release[pass]);
    rows.pass[row] = pass;
    if (passes.end[pass] > passes.release[pass] + facts.deadline) rows.missed[row] = LATE;
  }
  for (const release of skipped) rows.missed[rowOf(release)] = SKIPPED;
  let running = -1;
  for (let row = 0; row < rows.count; row++) {
    if (rows.pass[row] >= 0) running = rows.pass[row];
    else if (running >= 0 && passes.end[running] > rows.start[row]) rows.running[row] = running;
  }
  return rows;
}

function emptyRows(count, lead) {
  return {
    count,
    lead,
    start: new Float64Array(count),
    pass: new Int32Array(count).fill(-1),
    running: new Int32Array(count).fill(-1),
    missed: new Uint8Array(count),
  };
}

// Until when the pass before kept one from starting at its release.
function heldUntil(model, row, pass) {
  const { passes, rows } = model;
  return pass > 0 ? Math.min(passes.start[pass], Math.max(rows.start[row], passes.end[pass - 1])) : rows.start[row];
}

function lastOf(numbers) {
  return numbers.length ? numbers[numbers.length - 1] : 0;
}

function rowEnd(model, row) {
  return row + 1 < model.rows.count ? model.rows.start[row + 1] : model.rows.end;
}

// How many of sorted numbers are not above a value.
function upTo(sorted, value) {
  let low = 0, high = sorted.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (sorted[middle] <= value) low = middle + 1;
    else high = middle;
  }
  return low;
}

function coveringStretch(list, at) {
  const found = upTo(list.start, at) - 1;
  return found >= 0 && at < list.end[found] ? found : -1;
}

function byteAt(model, at) {
  const found = upTo(model.bytes.start, at) - 1;
  return found >= 0 && at < model.bytes.arrival[found] ? found : -1;
}

function messageOfByte(model, byte) {
  return byte < 0 ? -1 : coveringStretch(model.messages, byte);
}

// Bytes that have come and that no read has taken yet; null when that was not noted.
function waitingBytes(model, at) {
  const { receivedAt, takenAt } = model.bytes;
  return takenAt ? upTo(receivedAt, at) - upTo(takenAt, at) : null;
}

function messageInHand(model, at) {
  const { takenAt, takenIndex } = model.bytes;
  const taken = takenAt ? upTo(takenAt, at) : 0;
  return taken ? messageOfByte(model, takenIndex[taken - 1]) : -1;
}

// Sums of the time of each activity in a pass, in the order of facts.activities.
function sumsOf(model, pass) {
  const sums = new Array(model.facts.activities.length).fill(0);
  const { loop, firstOf, passes } = model;
  for (let at = firstOf[pass]; at < firstOf[pass + 1]; at++) {
    if (loop.start[at] >= passes.start[pass]) sums[loop.kind[at]] += loop.end[at] - loop.start[at];
  }
  return sums;
}

// A fixed random order of the rows: the one with the least number stands for its neighbours.
function rankOf(row) {
  let x = Math.imul(row ^ (row >>> 16), 0x45d9f3b);
  x = Math.imul(x ^ (x >>> 15), 0x2c1b3c6d);
  return (x ^ (x >>> 13)) >>> 0;
}

function nextMissed(model, row, direction) {
  const { missed, count } = model.rows;
  for (let at = row + direction; at >= 0 && at < count; at += direction) if (missed[at]) return at;
  return -1;
}
