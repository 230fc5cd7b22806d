// Keeps the part of the page that is news up to date. Without it everything works, by "Look again".
const live = document.getElementById("live");

export async function refresh() {
  const answer = await fetch(location.href, { headers: { accept: "text/html" } }).catch(() => null);
  if (!answer) return;
  if (answer.status === 401) return location.reload();
  const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").getElementById("live");
  if (!fresh) return location.reload();
  const said = document.getElementById("said");
  live.replaceChildren(...fresh.childNodes);
  live.dataset.seen = fresh.dataset.seen;
  live.dispatchEvent(new Event("fresh"));
  const now = live.querySelector(".now p:not(#clock)");
  if (said) said.textContent = said.dataset.new || (now ? now.textContent : "");
}

let stream;
function listen() {
  if (stream && stream.readyState !== EventSource.CLOSED) return;
  stream = new EventSource("/events?after=" + live.dataset.seen);
  stream.addEventListener("reading", refresh);
  stream.addEventListener("out", () => location.reload());
}

if (live) {
  listen();
  addEventListener("pagehide", () => stream.close());
  addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });
  document.addEventListener("visibilitychange", () => { if (!document.hidden) { listen(); refresh(); } });
}
