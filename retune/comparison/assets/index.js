// Searches the table of results, and plays one sound at a time.
const field = document.getElementById("search");
const body = document.querySelector("tbody");
const shown = document.getElementById("shown");
const player = document.getElementById("player");
const playing = document.getElementById("playing");
const more = document.getElementById("more");

// Rows as they are written: those laid out at first, and the others, which wait as text.
const rows = [...body.rows].map((row) => row.outerHTML);
const AT_ONCE = rows.length || 1; // rows laid out at a time: a thousand at once make a browser stutter
for (const row of JSON.parse(document.getElementById("others").textContent)) rows.push(row);
const MARKS = { amp: "&", lt: "<", gt: ">", "#34": '"', "#39": "'" };
const wordsOf = (row) =>
  row
    .replace(/<[^>]*>/g, " ")
    .replace(/&(amp|lt|gt|#34|#39);/g, (_, name) => MARKS[name])
    .toLowerCase();
let texts; // read when first searched for
let fits = rows;
let limit = AT_ONCE;

function tell() {
  const all = `${fits.length} of ${rows.length} fit`;
  shown.textContent = fits.length > limit ? `${all}, the first ${limit} shown` : all;
  more.hidden = fits.length <= limit;
}

function search() {
  const words = field.value.toLowerCase().split(/\s+/).filter(Boolean);
  texts ??= rows.map(wordsOf);
  fits = rows.filter((_, at) => words.every((word) => texts[at].includes(word)));
  limit = AT_ONCE;
  body.innerHTML = fits.slice(0, limit).join("");
  tell();
}

more.addEventListener("click", () => {
  body.insertAdjacentHTML("beforeend", fits.slice(limit, limit + AT_ONCE).join(""));
  limit += AT_ONCE;
  tell();
});
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
  player.play().catch((error) => {
    // Another one was chosen before this one began.
    if (error.name !== "AbortError") throw error;
  });
});
tell();
