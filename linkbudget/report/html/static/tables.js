// Tables of any length, a page at a time with their true length said, and whole as a file.

const PAGE_ROWS = 50;

// `table` has `columns` (heads), `count`, `cells(row)` and `title`; `choices` are other tables to switch to.
function pagedTable(place, tables) {
  let table = tables[0], page = 0;
  const head = document.createElement("p");
  const body = document.createElement("table");
  head.className = "pages";
  place.append(head, scrolling(body));
  const pages = () => Math.max(1, Math.ceil(table.count / PAGE_ROWS));
  const show = () => {
    page = Math.min(Math.max(0, page), pages() - 1);
    const first = page * PAGE_ROWS, last = Math.min(table.count, first + PAGE_ROWS);
    const range = table.count ? `${(first + 1).toLocaleString("en-US")} to ${last.toLocaleString("en-US")} of ` : "";
    label.textContent = `${range}${count(table.count, "row")}`;
    body.replaceChildren(headOf(table), bodyOf(table, first, last));
    numbersRight(body);
  };
  const label = document.createElement("span");
  const turn = (text, to) => button(text, () => {
    page = to();
    show();
  });
  head.append(turn("First", () => 0), turn("Back", () => page - 1), label, turn("On", () => page + 1), turn("Last", pages));
  if (tables.length > 1) head.append(switcher(tables, (chosen) => {
    table = chosen;
    page = 0;
    show();
  }));
  head.append(button("Save all as CSV", () => saveTable(table)));
  show();
}

function scrolling(table) {
  const box = document.createElement("div");
  box.className = "scrolling";
  box.append(table);
  return box;
}

function switcher(tables, choose) {
  const select = document.createElement("select");
  select.setAttribute("aria-label", "Which rows");
  tables.forEach((table, at) => select.add(new Option(table.title, at)));
  select.addEventListener("change", () => choose(tables[select.value]));
  return select;
}

function button(text, pressed) {
  const made = document.createElement("button");
  made.type = "button";
  made.textContent = text;
  made.addEventListener("click", pressed);
  return made;
}

function headOf(table) {
  const head = document.createElement("thead");
  const row = head.insertRow();
  for (const name of table.columns) {
    const cell = document.createElement("th");
    cell.scope = "col";
    cell.textContent = name;
    row.append(cell);
  }
  return head;
}

function bodyOf(table, first, last) {
  const body = document.createElement("tbody");
  for (let at = first; at < last; at++) {
    const row = body.insertRow();
    for (const text of table.cells(at)) row.insertCell().textContent = text;
  }
  return body;
}

// Columns that hold numbers alone, or dashes, stand to the right.
function numbersRight(body) {
  const [head, ...rows] = body.rows;
  for (let at = 0; at < head.cells.length; at++) {
    const texts = rows.map((row) => row.cells[at].textContent);
    if (!texts.some((text) => /\d/.test(text)) || !texts.every((text) => /^-?[\d.,]*%?$/.test(text))) continue;
    for (const row of body.rows) row.cells[at].className = "number";
  }
}

function saveTable(table) {
  const quoted = (text) => (/[",\n]/.test(text) ? `"${String(text).replaceAll('"', '""')}"` : text);
  const parts = [table.columns.map(quoted).join(",") + "\r\n"];
  for (let at = 0; at < table.count; at++) parts.push(table.cells(at).map(quoted).join(",") + "\r\n");
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob(parts, { type: "text/csv" }));
  link.download = table.file + ".csv";
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 60000);
}

// One row per control period; `chosen` are rows, or null for all of them.
function rowTable(model, title, file, chosen) {
  const { facts, rows, passes } = model;
  const us = (ns) => (ns / 1000).toFixed(3);
  return {
    title,
    file,
    count: chosen ? chosen.length : rows.count,
    columns: [
      facts.free ? "started ms" : "released ms", "pass", "deadline", "late by µs", "started after µs", "took µs",
      ...facts.activities.map((name) => name + " µs"), "handler µs",
    ],
    cells(at) {
      const row = chosen ? chosen[at] : at;
      const pass = rows.pass[row];
      const begin = instant(facts, rows.start[row]).replace(" ms", "").replaceAll(",", "");
      const lost = facts.activities.map(() => "");
      if (pass < 0) {
        const why = rows.missed[row] ? `passed over, ${rows.running[row] + 1} is still running` : "none";
        return [begin, why, rows.missed[row] ? "missed" : "", "", "", "", ...lost, ""];
      }
      const sums = sumsOf(model, pass);
      const length = passes.end[pass] - passes.start[pass];
      const over = passes.end[pass] - passes.release[pass] - facts.deadline;
      const handler = length - sums.reduce((all, one) => all + one, 0);
      return [
        begin, String(pass + 1), over > 0 ? "missed" : "kept", over > 0 ? us(over) : "",
        us(passes.start[pass] - rows.start[row]), us(length), ...sums.map(us), us(handler),
      ];
    },
  };
}

function byteTable(model) {
  const { facts, bytes } = model;
  const ms = (at) => instant(facts, at).replace(" ms", "").replaceAll(",", "");
  return {
    title: "all characters on the line",
    file: "characters",
    count: bytes.count,
    columns: ["starts ms", "ends ms", "value", "what became of it", "message", "faults"],
    cells(at) {
      const message = messageOfByte(model, at);
      return [
        ms(bytes.start[at]), ms(bytes.arrival[at]), glyphOrHex(facts, bytes.value[at]),
        LOST_WHERE[facts.character_fates[bytes.fate[at]]] || facts.character_fates[bytes.fate[at]],
        message < 0 ? "" : messageName(model, message),
        FLAGS.filter(([bit]) => bytes.flags[at] & bit).map(([, name]) => name).join(" "),
      ];
    },
  };
}

function glyphOrHex(facts, value) {
  const hex = value.toString(16).padStart(facts.line.bytesize === 9 ? 3 : 2, "0");
  return value > 32 && value < 127 ? `${hex} ${String.fromCharCode(value)}` : hex;
}

function jointTable(model, joint) {
  const ms = (at) => instant(model.facts, at).replace(" ms", "").replaceAll(",", "");
  const digits = Math.max(0, Math.ceil(-Math.log10(joint.step)));
  const unit = joint.unit ? " " + joint.unit : "";
  return [
    {
      title: "what was asked for",
      file: joint.name + "-asked",
      count: joint.askedAt.length,
      columns: ["time ms", "asked for" + unit, "where it was then" + unit],
      cells: (at) => [
        ms(joint.askedAt[at]), joint.askedFor[at].toFixed(digits), positionAt(joint, joint.askedAt[at]).toFixed(digits),
      ],
    },
    {
      title: "where it was",
      file: joint.name + "-was",
      count: joint.time.length,
      columns: ["time ms", "position" + unit],
      cells: (at) => [ms(joint.time[at]), joint.position[at].toFixed(digits)],
    },
  ];
}
