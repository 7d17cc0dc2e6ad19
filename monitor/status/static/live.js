// Keeps the page fresh: when the server says that something changed, the page is fetched again and its live parts are
// replaced where they differ. Open recipes stay open; a part somebody works in is left alone.
"use strict";
(() => {
  const SHORTEST_GAP_MS = 4000;
  const live = () => document.querySelectorAll("[data-live][id]");
  if (!window.EventSource || !live().length) return;

  let waiting = null;
  let last = Date.now();

  const busy = (part) => {
    const held = document.activeElement;
    return part.contains(held) && held.matches("input, select, textarea, button");
  };

  const openOnes = (part) => [...part.querySelectorAll("details[open][id]")].map((d) => d.id);

  const replace = (part, fresh) => {
    if (!fresh || busy(part) || part.innerHTML === fresh.innerHTML) return;
    const kept = openOnes(part);
    const held = part.contains(document.activeElement) ? document.activeElement.closest("[id]") : null;
    const heldId = held && document.activeElement.matches("summary, a") ? held.id : null;
    part.replaceChildren(...fresh.childNodes);
    for (const id of kept) document.getElementById(id)?.setAttribute("open", "");
    if (heldId) document.getElementById(heldId)?.querySelector("summary, a")?.focus({ preventScroll: true });
  };

  const refresh = async () => {
    waiting = null;
    last = Date.now();
    try {
      const answer = await fetch(location.pathname, { headers: { Accept: "text/html" }, cache: "no-store" });
      if (!answer.ok || answer.redirected) return;
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      for (const part of live()) replace(part, page.getElementById(part.id));
      document.title = page.title;
    } catch {
      // The server is away for the moment; the stream comes back by itself and says so.
    }
  };

  const soon = () => {
    if (waiting === null) waiting = setTimeout(refresh, Math.max(SHORTEST_GAP_MS - (Date.now() - last), 0));
  };

  const stream = new EventSource("/api/stream");
  stream.addEventListener("changed", soon);
  stream.addEventListener("alert", soon);
  addEventListener("pagehide", () => stream.close());
})();
