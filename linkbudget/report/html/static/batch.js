// The table of all replays of a batch: its rows are columns of the facts.

function replayTable(facts, title, file, rows) {
  return {
    title,
    file,
    count: rows.length,
    columns: facts.columns,
    cells: (at) => facts.cells[rows[at]],
  };
}

function startBatch() {
  const facts = JSON.parse(document.getElementById("facts").textContent);
  const all = facts.cells.map((_, row) => row);
  const tables = [replayTable(facts, "all replays", "replays", all)];
  for (const [title, file, rows] of facts.choices) tables.push(replayTable(facts, title, file, rows));
  pagedTable(document.getElementById("replays"), tables);
}

startBatch();
