// The search, over the index that the build wrote, the menu, which a wide screen keeps open, and wide blocks.
(() => {
  const top = document.body.dataset.top;
  const field = document.getElementById("search");
  const shown = document.getElementById("found");
  const most = 12;

  // A page whose title has the word counts more than one whose text has it.
  const score = (entry, words) => {
    const title = entry.title.toLowerCase();
    const text = entry.text.toLowerCase();
    let sum = 0;
    for (const word of words) {
      const worth = (title.includes(word) ? 10 : 0) + Math.min(text.split(word).length - 1, 5);
      if (!worth) return 0;
      sum += worth;
    }
    return sum / Math.log(20 + text.length);
  };

  const around = (text, word) => {
    const at = Math.max(text.toLowerCase().indexOf(word) - 60, 0);
    return (at ? "… " : "") + text.slice(at, at + 200).trim() + (at + 200 < text.length ? " …" : "");
  };

  const line = (entry, words) => {
    const item = document.createElement("li");
    const link = document.createElement("a");
    const words_around = document.createElement("small");
    link.href = `${top}/${entry.location}`;
    link.textContent = entry.title;
    words_around.textContent = around(entry.text, words[0]);
    item.append(link, words_around);
    return item;
  };

  const search = () => {
    const words = field.value.toLowerCase().split(/\s+/).filter((word) => word.length > 1);
    shown.replaceChildren();
    shown.hidden = words.length === 0;
    if (shown.hidden) return;
    const best = window.searchIndex
      .map((entry) => [score(entry, words), entry])
      .filter(([worth]) => worth > 0)
      .sort((one, other) => other[0] - one[0])
      .slice(0, most);
    const list = document.createElement("ol");
    list.append(...best.map(([, entry]) => line(entry, words)));
    shown.append(best.length ? list : "Nothing has all of these words.");
  };

  field.addEventListener("input", search);
  document.getElementById("search-form").addEventListener("submit", (event) => event.preventDefault());
  shown.addEventListener("click", (event) => {
    if (event.target.closest("a")) shown.hidden = true;
  });
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape") shown.hidden = true;
  });

  const menu = document.querySelector(".menu");
  const wide = window.matchMedia("(min-width: 60rem)");
  const fit = () => { menu.open = wide.matches; };
  wide.addEventListener("change", fit);
  fit();

  // What is wider than its column can be scrolled by the keyboard, too.
  const reach = () => {
    for (const block of document.querySelectorAll("table, pre, .output")) {
      if (block.scrollWidth > block.clientWidth) block.tabIndex = 0;
      else block.removeAttribute("tabindex");
    }
  };
  window.addEventListener("resize", reach);
  document.fonts.ready.then(reach);
  reach();
})();
