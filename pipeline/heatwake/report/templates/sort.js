"use strict";
for (const table of document.querySelectorAll("table.sortable")) {
  const heads = [...table.tHead.rows[0].cells], body = table.tBodies[0];
  const given = [...body.rows];
  table.classList.add("can-sort");
  const key = (row, column) => {
    const cell = row.cells[column], text = (cell.dataset.value ?? cell.textContent).trim();
    const plain = text.replace("−", "-");
    const number = heads[column].classList.contains("n") ? Number.parseFloat(plain) : Number(plain); // may have ± behind
    return text === "" || text === "–" ? null : Number.isNaN(number) ? text : number;
  };
  const compare = (a, b) => (typeof a === "number" && typeof b === "number" ? a - b : String(a).localeCompare(String(b)));
  heads.forEach((head, column) => {
    if (head.dataset.sort === undefined) return;
    const button = document.createElement("button");
    button.type = "button";
    button.title = "Sort by this column";
    button.append(...head.childNodes);
    head.append(button);
    button.addEventListener("click", () => {
      const was = head.getAttribute("aria-sort");
      const order = was === "descending" ? "ascending" : was === "ascending" ? null : "descending";
      for (const other of heads) other.removeAttribute("aria-sort");
      if (order !== null) head.setAttribute("aria-sort", order);
      const rows = [...given];
      if (order !== null) {
        const sign = order === "ascending" ? 1 : -1;
        rows.sort((a, b) => {
          const [p, q] = [key(a, column), key(b, column)];
          return p === null || q === null ? (p === null) - (q === null) : sign * compare(p, q);
        });
      }
      body.append(...rows);
    });
  });
}
