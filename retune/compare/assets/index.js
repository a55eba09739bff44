// Searches the table of results, and plays one sound at a time.
const field = document.getElementById("search");
const rows = [...document.querySelectorAll("tbody tr")].map((row) => [
  row,
  row.textContent.toLowerCase(),
]);
const shown = document.getElementById("shown");
const player = document.getElementById("player");
const playing = document.getElementById("playing");

function search() {
  const words = field.value.toLowerCase().split(/\s+/).filter(Boolean);
  let count = 0;
  for (const [row, text] of rows) {
    const fits = words.every((word) => text.includes(word));
    row.hidden = !fits;
    count += fits;
  }
  shown.textContent = `${count} of ${rows.length} shown`;
}

let waiting = 0;
field.addEventListener("input", () => {
  clearTimeout(waiting);
  waiting = setTimeout(search, 80);
});
document.addEventListener("click", (event) => {
  const button = event.target.closest("button[data-sound]");
  if (!button) return;
  player.src = button.dataset.sound;
  playing.textContent = button.dataset.title;
  player.volume = Math.min(player.volume, 0.3);
  player.play();
});
search();
