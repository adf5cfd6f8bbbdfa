"use strict";
const body = document.querySelector("tbody");
const heads = [...document.querySelectorAll("thead th")];
heads.slice(0, 3).forEach((head, place) => {
  const button = document.createElement("button");
  button.type = "button";
  button.append(...head.childNodes);
  head.append(button);
  button.addEventListener("click", () => {
    const sign = head.ariaSort === "ascending" ? -1 : 1;
    heads.forEach((other) => other.removeAttribute("aria-sort"));
    head.setAttribute("aria-sort", sign > 0 ? "ascending" : "descending");
    const key = (row) => row.children[place].dataset.sort;
    const rows = [...body.rows].sort((a, b) => sign * key(a).localeCompare(key(b), "en", { numeric: true }));
    body.append(...rows);
  });
});
