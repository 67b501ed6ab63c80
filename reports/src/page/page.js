"use strict";
// Everything on the page can be read without this. It lets a reader sort the rows that a table shows, and see a number
// as results.json has it. It loads nothing, keeps nothing and sends nothing.
(() => {
  // Sorting: each column head becomes a button.

  // A number by its unrounded value, other text by its letters; what has no value stays last either way.
  const key = (row, column) => {
    const cell = row.cells[column];
    const number = cell.querySelector("data");
    if (number) return Number(number.value);
    const text = cell.textContent.trim();
    return text === "" || text === "–" || text === "withheld" ? null : text;
  };
  const compare = (one, other) =>
    typeof one === "number" && typeof other === "number"
      ? one - other
      : String(one).localeCompare(String(other), "en", { numeric: true });

  const sort = (head, column) => {
    const table = head.closest("table");
    const body = table.tBodies[0];
    const up = head.getAttribute("aria-sort") !== "ascending";
    const rows = [...body.rows].map((row) => [key(row, column), row]);
    rows.sort(([one], [other]) => {
      if (one === null || other === null) return (one === null) - (other === null);
      return up ? compare(one, other) : compare(other, one);
    });
    for (const other of table.tHead.rows[0].cells) other.removeAttribute("aria-sort");
    head.setAttribute("aria-sort", up ? "ascending" : "descending");
    body.append(...rows.map(([, row]) => row));
  };

  for (const table of document.querySelectorAll("table")) {
    if (!table.tHead || !table.tBodies[0] || table.tBodies[0].rows.length < 2) continue;
    [...table.tHead.rows[0].cells].forEach((head, column) => {
      const button = document.createElement("button");
      button.type = "button";
      button.title = "Sort the rows shown by this column";
      button.append(...head.childNodes);
      button.addEventListener("click", () => sort(head, column));
      head.append(button);
    });
  }

  // A number unrounded, on hover or focus: where it stands in results.json, and the n of its row.

  const note = document.createElement("div");
  note.id = "unrounded";
  note.setAttribute("role", "tooltip");
  note.hidden = true;
  document.body.append(note);

  const records = (number) => {
    const row = number.closest("tr, li, p");
    const found = row && row.querySelector('data[data-column="n"], data[data-column^="n_"]');
    return found && found !== number ? `; ${found.dataset.column} = ${found.value}` : "";
  };
  let shown = null;
  const show = (number) => {
    shown = number;
    note.textContent = `${number.value}${records(number)} (${number.dataset.of}, ${number.dataset.column})`;
    note.hidden = false;
    number.setAttribute("aria-describedby", note.id);
    place();
  };
  const place = () => {
    if (!shown) return;
    // Right under the number, so that the mouse can move onto it, or over it near the lower edge; never past the edges
    // of the window.
    const at = shown.getBoundingClientRect();
    const room = document.documentElement;
    const left = Math.min(at.left, room.clientWidth - note.offsetWidth - 8);
    const below = at.bottom;
    const fits = below + note.offsetHeight < room.clientHeight;
    note.style.left = `${Math.max(8, left)}px`;
    note.style.top = `${fits ? below : Math.max(0, at.top - note.offsetHeight)}px`;
  };
  const hide = () => {
    note.hidden = true;
    if (shown) shown.removeAttribute("aria-describedby");
    shown = null;
  };
  const number = (target) =>
    target instanceof Element ? target.closest("data[data-of]") : null;

  document.addEventListener("pointerover", (event) => {
    if (note.contains(event.target)) return;
    hide();
    const found = number(event.target);
    if (found) show(found);
  });
  document.addEventListener("focusin", (event) => {
    hide();
    const found = number(event.target);
    if (found) show(found);
  });
  document.addEventListener("focusout", hide);
  document.addEventListener("scroll", place, true);

  // One tab stop a table or paragraph; from there the arrow keys go on to the next number.
  const groups = new Map();
  for (const found of document.querySelectorAll("data[data-of]")) {
    if (found.closest("summary, a")) continue;
    const group = found.closest("table, section") || document.body;
    if (!groups.has(group)) groups.set(group, []);
    groups.get(group).push(found);
  }
  for (const numbers of groups.values()) numbers[0].tabIndex = 0;
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape") hide();
    const step = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
    const from = number(document.activeElement);
    if (!step || !from) return;
    const numbers = groups.get(from.closest("table, section") || document.body) || [];
    const to = numbers[numbers.indexOf(from) + step];
    if (!to) return;
    event.preventDefault();
    from.tabIndex = -1;
    to.tabIndex = 0;
    to.focus();
  });
})();
