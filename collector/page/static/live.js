// Keeps the part of the page that is news up to date. Without it everything works, by "Look again".
const live = document.getElementById("live"), said = document.getElementById("said");
let waits = false;

// Never under somebody's hands: what is being typed, chosen or opened stays until the form is sent or left.
function busy() {
  const fields = [...live.querySelectorAll("input:not([type=hidden]), select, textarea")];
  const touched = (one) => one.type === "checkbox" ? one.checked !== one.defaultChecked
    : one.options ? [...one.options].some((option) => option.selected !== option.defaultSelected && option.index > 0)
    : one.value !== one.defaultValue;
  return fields.some((one) => one === document.activeElement || touched(one))
    || live.querySelector("details[open] form") !== null;
}

export async function refresh() {
  waits = busy();
  if (waits) { if (said) { said.textContent = (said.dataset.new || "There is news.") + " It shows when you are done here."; said.className = "news"; } return; }
  const answer = await fetch(location.href, { headers: { accept: "text/html" } }).catch(() => null);
  if (!answer) return;
  if (answer.status === 401) return location.reload();
  const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").getElementById("live");
  if (!fresh) return location.reload();
  if (busy()) return refresh();
  live.replaceChildren(...fresh.childNodes);
  live.dataset.seen = fresh.dataset.seen;
  live.dispatchEvent(new Event("fresh"));
  const now = live.querySelector(".now p:not(#clock)");
  if (said) { said.className = "unseen"; said.textContent = said.dataset.new || (now ? now.textContent : ""); }
}

let stream;
function listen() {
  if (stream && stream.readyState !== EventSource.CLOSED) return;
  stream = new EventSource("/events?after=" + live.dataset.seen);
  stream.addEventListener("reading", refresh);
  stream.addEventListener("news", refresh);
  stream.addEventListener("out", () => location.reload());
}

if (live) {
  document.documentElement.classList.add("live");
  listen();
  addEventListener("pagehide", () => stream.close());
  addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });
  document.addEventListener("visibilitychange", () => { if (!document.hidden) { listen(); refresh(); } });
  for (const left of ["focusout", "toggle"]) live.addEventListener(left, () => setTimeout(() => { if (waits && !busy()) refresh(); }), true);
}
