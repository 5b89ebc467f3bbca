
const box = document.getElementById("search");
const field = box.querySelector("input");
const told = box.querySelector("output");
box.hidden = false;
let waiting = 0;
function find() {
  const words = field.value.toLowerCase().split(/\s+/).filter(Boolean);
  let found = 0;
  for (const table of document.querySelectorAll("table.rows")) {
    let here = 0;
    let shown = false;
    for (const row of table.tBodies[0].rows) {
      if (!row.classList.contains("told")) {
        const text = row.textContent.toLowerCase();
        shown = words.every((word) => text.includes(word));
        here += shown;
      }
      row.hidden = !shown;
    }
    table.hidden = here === 0;
    found += here;
  }
  told.textContent = words.length ? found + " found" : "";
}
field.addEventListener("input", () => {
  clearTimeout(waiting);
  waiting = setTimeout(find, 150);
});
