// Live sliders: a rough answer while dragging, the full one at rest. Without this the form's button does the same.
const form = document.getElementById("levers"), place = document.getElementById("answer");
let waiting = null, asked = 0, busy = false, again = null;
const query = () => new URLSearchParams(new FormData(form)).toString();
async function ask(rough) {
  if (busy && rough) { again = true; return; }
  busy = true;
  const mine = ++asked, words = query();
  try {
    const reply = await fetch("/answer?" + words + (rough ? "&rough=yes" : ""));
    const text = await reply.text();
    if (mine === asked) { place.innerHTML = text; if (!rough) history.replaceState(null, "", "/?" + words); }
  } finally {
    busy = false;
    if (again) { again = null; ask(true); }
  }
}
form.addEventListener("input", (event) => {
  const shown = document.getElementById(event.target.id + "-now");
  if (shown) shown.value = event.target.value === "0" ? event.target.dataset.none : event.target.value;
  clearTimeout(waiting);
  ask(true);
  waiting = setTimeout(() => { again = null; ask(false); }, 450);
});
