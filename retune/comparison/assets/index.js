// Searches the table of results, and plays one sound at a time.
const field = document.getElementById("search");
const rows = [...document.querySelectorAll("tbody tr")].map((row) => [row, row.textContent.toLowerCase()]);
const shown = document.getElementById("shown");
const player = document.getElementById("player");
const playing = document.getElementById("playing");

const more = document.getElementById("more");
const AT_ONCE = 100; // rows laid out at a time: a thousand at once make a browser stutter
let limit = AT_ONCE;

function search() {
  const words = field.value.toLowerCase().split(/\s+/).filter(Boolean);
  let count = 0;
  for (const [row, text] of rows) {
    const fits = words.every((word) => text.includes(word));
    count += fits;
    row.hidden = !fits || count > limit;
  }
  const all = `${count} of ${rows.length} fit`;
  shown.textContent = count > limit ? `${all}, the first ${limit} shown` : all;
  more.hidden = count <= limit;
}

more.addEventListener("click", () => {
  limit += AT_ONCE;
  search();
});
let waiting = 0;
field.addEventListener("input", () => {
  clearTimeout(waiting);
  limit = AT_ONCE;
  waiting = setTimeout(search, 80);
});
document.addEventListener("click", (event) => {
  const button = event.target.closest("button[data-sound]");
  if (!button) return;
  player.src = button.dataset.sound;
  playing.textContent = button.dataset.title;
  player.volume = Math.min(player.volume, 0.3);
  player.play().catch((error) => {
    // Another one was chosen before this one began.
    if (error.name !== "AbortError") throw error;
  });
});
search();
