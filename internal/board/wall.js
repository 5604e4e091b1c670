// Keeps the board true to the workshop: it follows the log by server-sent
// events, swaps in what the server has drawn, and says plainly when it cannot.
"use strict";
(() => {
  const board = document.getElementById("board");
  const state = document.getElementById("state");
  const quiet = 25000; // the server says something every ten seconds
  const clock = (t) => new Date(t).toLocaleTimeString("en-GB");
  let heard = Date.now(); // when the server was last heard
  let good = Date.now(); // when the board was last known to be true
  let wanted = -1; // the revision that the server has told
  let busy = false;
  let again = false;
  let source = null;

  const say = (text, behind) => {
    if (state.textContent !== text) state.textContent = text;
    document.body.classList.toggle("behind", behind);
  };
  const live = () => { good = Date.now(); say("Live", false); };
  const behind = () => say("Behind: not connected since " + clock(good) + ". What you see may have changed.", true);
  const shown = () => Number(board.querySelector("[data-revision]").dataset.revision);

  // refresh swaps in the board as the server draws it now; what has the focus
  // keeps it.
  const refresh = async () => {
    if (busy) { again = true; return; }
    busy = true;
    try {
      const answer = await fetch("fragment" + location.search, { cache: "no-store", signal: AbortSignal.timeout(10000) });
      if (!answer.ok) throw new Error(answer.status);
      const html = await answer.text();
      const active = document.activeElement;
      const says = active && active.dataset ? active.dataset.says : undefined;
      const id = active && board.contains(active) ? active.id : "";
      const changed = Number(answer.headers.get("X-Revision")) !== shown();
      board.innerHTML = html;
      const next = says ? [...board.querySelectorAll("[data-says]")].find((e) => e.dataset.says === says && e.getClientRects().length) : id && document.getElementById(id);
      if (next) next.focus({ preventScroll: true });
      board.classList.remove("fresh");
      if (changed) { void board.offsetWidth; board.classList.add("fresh"); }
      live();
      if (again || wanted > shown()) setTimeout(refresh, 50);
    } catch {
      behind();
      setTimeout(refresh, 2000);
    } finally {
      busy = again = false;
    }
  };

  const listen = () => {
    source = new EventSource("events");
    source.addEventListener("hello", (e) => {
      heard = Date.now();
      const hello = JSON.parse(e.data);
      if (hello.release !== document.body.dataset.release) { location.reload(); return; }
      wanted = hello.revision;
      refresh();
    });
    source.addEventListener("revision", (e) => {
      heard = Date.now();
      wanted = Number(e.data);
      if (wanted !== shown()) refresh(); else live();
    });
    source.onerror = () => {
      behind();
      if (source.readyState === EventSource.CLOSED) { // the browser gives up on an error answer; we do not
        source.close();
        setTimeout(listen, 2000);
      }
    };
  };
  listen();
  setInterval(() => {
    if (Date.now() - heard > quiet) { heard = Date.now(); source.close(); behind(); listen(); }
  }, 1000);
  const tick = () => { setTimeout(() => { refresh(); tick(); }, 60000 - (Date.now() % 60000) + 200); };
  tick(); // the line of the present moves each minute
})();
