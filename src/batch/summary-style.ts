/** What the summary page adds to the look of the proof sheet. */
export const SUMMARY_STYLE = `
main.wide{max-width:1280px}
.job h3{margin:0;overflow-wrap:anywhere}
.job .moment{margin-top:6px}
th button{font:inherit;color:inherit;background:none;border:0;padding:4px 0;cursor:pointer;text-align:left}
th button:hover{text-decoration:underline}
th button:focus-visible,a:focus-visible{outline:2px solid var(--left);outline-offset:2px}
th[aria-sort=ascending] button::after{content:" ▲"}
th[aria-sort=descending] button::after{content:" ▼"}
a{color:var(--left)}
tr.unreadable td{color:var(--bad)}
tr.missing td{color:var(--soft)}
`;

/** Sorts the table by the column whose heading is clicked: numbers by value, the rest as text. */
export const SORT_SCRIPT = `
for (const table of document.querySelectorAll('table.sortable')) {
  const heads = [...table.tHead.rows[0].cells];
  heads.forEach((head, column) => head.firstElementChild.addEventListener('click', () => {
    const isDown = head.getAttribute('aria-sort') === 'descending';
    const isNumber = table.tBodies[0].querySelector('td:nth-child(' + (column + 1) + ')[data-value]') !== null;
    const down = isNumber ? !isDown : head.getAttribute('aria-sort') === 'ascending';
    for (const other of heads) other.removeAttribute('aria-sort');
    head.setAttribute('aria-sort', down ? 'descending' : 'ascending');
    const valueOf = (row) => {
      const cell = row.cells[column];
      if (isNumber) return cell && cell.dataset.value !== undefined ? Number(cell.dataset.value) : -Infinity;
      return cell ? cell.textContent.trim() : '';
    };
    const rows = [...table.tBodies[0].rows].map((row) => [valueOf(row), row]);
    rows.sort(([a], [b]) => (isNumber ? a - b : a.localeCompare(b)) * (down ? -1 : 1));
    table.tBodies[0].append(...rows.map(([, row]) => row));
  }));
}
`;
