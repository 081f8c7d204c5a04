"use strict";
// Names that contain every word that was typed, those that begin with it first; then sentences that do.
(() => {
  const form = document.querySelector("form");
  const input = document.getElementById("search");
  const list = document.getElementById("found");
  const MOST = 40;
  let chosen = -1;
  form.hidden = false;
  // Above the text, a long list of names would be in its way.
  if (matchMedia("(max-width: 800px)").matches) document.querySelector(".beside")?.removeAttribute("open");

  const rank = (name, sentence, words) => {
    const low = name.toLowerCase();
    if (words.every((word) => low.includes(word))) {
      const last = low.split(".").pop();
      if (last === words[0] || low === words[0]) return 0;
      return low.startsWith(words[0]) || last.startsWith(words[0]) ? 1 : 2;
    }
    const text = `${low} ${sentence.toLowerCase()}`;
    return words.every((word) => text.includes(word)) ? 3 : -1;
  };

  const show = () => {
    const words = input.value.toLowerCase().split(/\s+/).filter(Boolean);
    chosen = -1;
    list.hidden = words.length === 0;
    list.replaceChildren();
    if (list.hidden) return;
    const hits = NAMES.map((row) => [rank(row[0], row[3], words), row[0].length, row])
      .filter((hit) => hit[0] >= 0)
      .sort((a, b) => a[0] - b[0] || a[1] - b[1]);
    for (const [, , [name, what, place, sentence]] of hits.slice(0, MOST)) {
      const item = document.createElement("li");
      const link = document.createElement("a");
      const small = document.createElement("small");
      link.href = place;
      link.textContent = name;
      small.textContent = `${what}: ${sentence.replaceAll("`", "")}`;
      link.append(small);
      item.append(link);
      list.append(item);
    }
    if (!hits.length || hits.length > MOST) {
      const item = document.createElement("li");
      item.className = "none";
      item.textContent = hits.length ? `and ${hits.length - MOST} more` : "Nothing of that name, and no sentence with these words.";
      list.append(item);
    }
  };

  const choose = (step) => {
    const items = [...list.querySelectorAll("li:has(a)")];
    if (!items.length) return;
    chosen = (chosen + step + items.length) % items.length;
    items.forEach((item, at) => item.classList.toggle("chosen", at === chosen));
    items[chosen].scrollIntoView({ block: "nearest" });
  };

  input.addEventListener("input", show);
  input.addEventListener("keydown", (event) => {
    if (event.key === "ArrowDown" || event.key === "ArrowUp") {
      choose(event.key === "ArrowDown" ? 1 : chosen < 0 ? 0 : -1);
      event.preventDefault();
    } else if (event.key === "Escape") {
      input.value = "";
      show();
    }
  });
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    const link = list.querySelectorAll("a")[Math.max(chosen, 0)];
    if (link) {
      location.href = link.href;
      input.value = "";
      show();
    }
  });
  list.addEventListener("click", () => {
    input.value = "";
    show();
  });
  document.addEventListener("keydown", (event) => {
    if (event.key === "/" && document.activeElement !== input) {
      input.focus();
      event.preventDefault();
    }
  });
})();
