// Renews the first page of the desk in its place: every half minute the same page is asked for, and
// if anything on it changed its main part is replaced, with scroll and focus where they were.
"use strict";
(() => {
  const EVERY_MS = 30000; // fresh enough for a bell, and a few hundred bytes where nothing changed
  const PATIENCE_MS = 60000; // a whole page on a slow line
  const fresh = document.getElementById("fresh");
  const news = document.getElementById("news");
  const clock = document.getElementById("at");
  let used = true; // somebody touched the page since it asked last; if not, the log-in may end
  let asking = false;
  let failed = false;

  for (const kind of ["keydown", "pointerdown", "wheel", "touchmove"]) {
    addEventListener(kind, () => { used = true; }, { passive: true });
  }

  function tell(text) {
    if (news.textContent !== text) news.textContent = text;
  }

  // The first thing on the screen that has a name: it stays where it is when the rest changes.
  function anchor() {
    for (const item of fresh.querySelectorAll("[id]")) {
      const box = item.getBoundingClientRect();
      if (box.height && box.bottom > 0) return { id: item.id, top: box.top };
    }
    return null;
  }

  function put(page) {
    const next = page.getElementById("fresh");
    const held = document.activeElement;
    const inside = fresh.contains(held);
    const kept = anchor();
    const before = scrollY;
    fresh.replaceChildren(...next.childNodes);
    fresh.dataset.mark = next.dataset.mark;
    const again = kept && document.getElementById(kept.id);
    if (before && again) scrollBy(0, again.getBoundingClientRect().top - kept.top);
    else scrollTo(scrollX, before);
    if (inside) refocus(held.id);
    clock.textContent = page.getElementById("at").textContent;
    tell(`Changed at ${clock.textContent}: ${next.dataset.summary}`);
  }

  // Where the thing that had the focus is gone, the main part has it: never the top of the page.
  function refocus(id) {
    const same = id && document.getElementById(id);
    if (!same) fresh.tabIndex = -1;
    (same || fresh).focus({ preventScroll: true });
  }

  function same(at) {
    if (at) clock.textContent = at;
    if (failed) tell(`It answers again. Nothing changed until ${clock.textContent}.`);
  }

  async function ask() {
    const headers = { "If-None-Match": `"${fresh.dataset.mark}"` };
    if (!used) headers["X-Unattended"] = "1";
    used = false;
    const signal = AbortSignal.timeout(PATIENCE_MS);
    const answer = await fetch(location.href, { headers, signal, cache: "no-store" });
    if (answer.redirected) {
      stop("You are logged out. Choose Again to log in.");
      return;
    }
    if (answer.status === 304) same(answer.headers.get("X-As-Of"));
    else if (answer.ok) put(new DOMParser().parseFromString(await answer.text(), "text/html"));
    else throw new Error("no page");
    failed = false;
  }

  async function renew() {
    if (asking || document.hidden) return;
    asking = true;
    try {
      await ask();
    } catch {
      failed = true;
      tell(`No answer. This page is as it stood at ${clock.textContent}; it asks again by itself.`);
    }
    asking = false;
  }

  function stop(text) {
    clearInterval(timer);
    tell(text);
  }

  const timer = setInterval(renew, EVERY_MS);
  document.addEventListener("visibilitychange", renew);
})();
