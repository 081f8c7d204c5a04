// The columns of the data, as linkbudget/report/html/columns.py writes them.

async function inflate(base64) {
  if (typeof DecompressionStream !== "function") {
    throw new Error("this browser cannot decompress the data of the pictures (it has no DecompressionStream)");
  }
  const packed = Uint8Array.fromBase64
    ? Uint8Array.fromBase64(base64)
    : Uint8Array.from(atob(base64), (letter) => letter.charCodeAt(0));
  const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("deflate"));
  return new Uint8Array(await new Response(stream).arrayBuffer());
}

function readColumns(data, index) {
  const columns = {};
  let at = 0;
  for (const { name, form, count, bytes } of index) {
    const part = data.subarray(at, at + bytes);
    columns[name] = form === "bytes" ? part : readNumbers(part, form, count);
    at += bytes;
  }
  return columns;
}

// Numbers are doubles: whole ones up to 2^53 are exact, which is 104 days in nanoseconds.
function readNumbers(part, form, count) {
  const numbers = new Float64Array(count);
  const signed = form === "signed" || form === "moves";
  const summed = form === "steps" || form === "moves";
  let at = 0;
  let sum = 0;
  for (let row = 0; row < count; row++) {
    let byte = part[at++];
    let number = byte & 127;
    let weight = 128;
    while (byte > 127) {
      byte = part[at++];
      number += (byte & 127) * weight;
      weight *= 128;
    }
    if (signed) number = number % 2 ? -(number + 1) / 2 : number / 2;
    sum = summed ? sum + number : number;
    numbers[row] = sum;
  }
  return numbers;
}
