// Counts down to a moment, never ticks: after a phone's sleep it is right at once. At the end the page asks for itself again.
import { refresh } from "./live.js";
const live = document.getElementById("live");
let ends = 0, lock = null;

function begin() {
  const clock = document.getElementById("clock");
  ends = clock ? Date.now() + 1000 * clock.dataset.left : 0;
  const waits = clock || document.getElementById("waiting");
  if (waits && !lock && "wakeLock" in navigator && !document.hidden) {
    lock = navigator.wakeLock.request("screen").then((held) => held.addEventListener("release", () => { lock = null; }), () => { lock = null; });
  }
}

function show() {
  const clock = document.getElementById("clock");
  if (!ends || !clock) return;
  const left = Math.max(0, Math.ceil((ends - Date.now()) / 1000));
  clock.textContent = Math.floor(left / 60) + ":" + String(left % 60).padStart(2, "0");
  if (Date.now() >= ends + 600) { ends = Date.now() + 2000; refresh(); }
}

begin();
live.addEventListener("fresh", begin);
document.addEventListener("visibilitychange", show);
setInterval(show, 250);
setInterval(() => { if (!document.hidden && document.getElementById("waiting")) refresh(); }, 30000);
