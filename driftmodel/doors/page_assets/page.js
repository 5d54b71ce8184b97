// Live sliders: a rough answer while dragging, the full one at rest. Without this the form's button does the same.
const form = document.getElementById("levers"), place = document.getElementById("answer");
const spoken = document.getElementById("spoken");
let waiting = null, asked = 0, busy = false, again = false;
const query = () => new URLSearchParams(new FormData(form)).toString();
async function ask(rough) {
  if (busy && rough) { again = true; return; }
  busy = true;
  const mine = ++asked, words = query();
  try {
    const reply = await fetch("/answer?" + words + (rough ? "&rough=yes" : ""));
    const text = await reply.text();
    if (mine !== asked) return;
    place.innerHTML = text;
    if (rough) return;
    history.replaceState(null, "", "/?" + words);
    document.querySelector(".more form").action = "/readings?" + words;
    spoken.textContent = [...place.querySelectorAll(".lead, .fault p")].map((each) => each.textContent).join(" ");
  } catch {
    place.textContent = "The page no longer answers: start it again with the command driftmodel page.";
  } finally {
    busy = false;
    if (again) { again = false; ask(true); }
  }
}
const whole = ["scenario", "units", "reading", "date"];  // what the bench's answer hangs on: the page is asked anew
form.addEventListener("change", ({ target }) => { if (["scenario", "units"].includes(target.id)) form.submit(); });
form.addEventListener("input", ({ target }) => {
  if (whole.includes(target.id)) return;
  const shown = document.getElementById(target.id + "-now"), data = target.dataset;
  if (shown) shown.value = target.value === data.neutral ? data.left : target.value + " " + data.unit;
  clearTimeout(waiting);
  ask(true);
  waiting = setTimeout(() => { again = false; ask(false); }, 450);
});
