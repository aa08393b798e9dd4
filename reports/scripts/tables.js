"use strict";
// Sorting and filtering of the tables. Everything can be read without it.
for (const tools of document.querySelectorAll(".tools")) {
  const table = document.getElementById(tools.dataset.for);
  const body = table.tBodies[0];
  const heads = [...table.tHead.rows[0].cells];
  const first = [...body.rows];
  if (first.length < 2) continue;

  const value = (row, column) => row.cells[column].dataset.sort;
  const compare = (one, other) => {
    if (one === "" || other === "") return (one === "") - (other === "");
    const a = Number(one), b = Number(other);
    return Number.isNaN(a) || Number.isNaN(b) ? one.localeCompare(other, "en", { numeric: true }) : a - b;
  };
  const sort = (column, falling) => {
    const empty = (row) => value(row, column) === "";
    const rows = first.map((row, place) => [row, place]).sort(([a, i], [b, j]) => {
      if (empty(a) || empty(b)) return empty(a) - empty(b) || i - j;
      return (falling ? -1 : 1) * compare(value(a, column), value(b, column)) || i - j;
    });
    body.append(...rows.map(([row]) => row));
    heads.forEach((head, place) => {
      if (place === column) head.setAttribute("aria-sort", falling ? "descending" : "ascending");
      else head.removeAttribute("aria-sort");
    });
  };

  heads.forEach((head, column) => {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = head.textContent.trim();
    button.addEventListener("click", () => sort(column, head.getAttribute("aria-sort") === "ascending"));
    head.replaceChildren(button);
  });

  const search = document.createElement("input");
  search.type = "search";
  search.autocomplete = "off";
  const shown = document.createElement("span");
  shown.setAttribute("role", "status");
  search.addEventListener("input", () => {
    const wanted = search.value.toLowerCase().split(/\s+/).filter(Boolean);
    let count = 0;
    for (const row of first) {
      const text = row.textContent.toLowerCase();
      row.hidden = !wanted.every((word) => text.includes(word));
      count += row.hidden ? 0 : 1;
    }
    shown.textContent = wanted.length ? `${count} of ${first.length} rows` : "";
  });
  const label = document.createElement("label");
  label.append("Find ", search);

  const order = document.createElement("select");
  order.append(new Option("as listed", ""));
  heads.forEach((head, column) => {
    order.append(new Option(`${head.textContent} ↑`, `${column} up`), new Option(`${head.textContent} ↓`, `${column} down`));
  });
  order.addEventListener("change", () => {
    if (!order.value) return body.append(...first);
    const [column, way] = order.value.split(" ");
    sort(Number(column), way === "down");
  });
  const ordered = document.createElement("label");
  ordered.className = "order";
  ordered.append("Sort ", order);
  tools.append(label, ordered, shown);
}

// On a phone the tables fold away until they are asked for; on paper everything is open.
if (matchMedia("(max-width: 40rem)").matches) {
  for (const sheet of document.querySelectorAll("details.sheet")) sheet.open = false;
}
const reach = () => {
  const target = location.hash.length > 1 && document.getElementById(decodeURIComponent(location.hash.slice(1)));
  if (target && target.matches("details")) target.open = true;
};
addEventListener("hashchange", reach);
reach();
addEventListener("beforeprint", () => {
  for (const sheet of document.querySelectorAll("details")) sheet.open = true;
});
