// Takes in what the watch tells, part by part, so that what has not changed keeps its place and focus.
"use strict";
(() => {
  const main = document.querySelector("main");
  const link = document.getElementById("link");
  const say = (text) => { if (link.textContent !== text) link.textContent = text; };
  const clock = () => new Date().toTimeString().slice(0, 8);

  const show = ({ title, main: markup }) => {
    document.title = title;
    const fresh = document.createElement("template");
    fresh.innerHTML = markup;
    for (const part of fresh.content.querySelectorAll("[data-part]")) {
      const old = main.querySelector(`[data-part="${part.dataset.part}"]`);
      if (old === null) main.append(part);
      else if (old.outerHTML !== part.outerHTML) old.replaceWith(part);
    }
  };

  let lost = null;
  const listen = () => {
    const source = new EventSource("/changes");
    source.onopen = () => { lost = null; say("Changes appear here by themselves."); };
    source.onmessage = (event) => {
      const told = JSON.parse(event.data);
      show(told);
      if (told.over) {
        source.close();
        say("The watch has ended; this is what it told last.");
      }
    };
    // A stream lasts ten minutes; the next one goes on.
    source.addEventListener("again", () => { source.close(); listen(); });
    source.onerror = () => {
      lost ??= clock();
      say(`No connection to the watch since ${lost}, by this machine's clock: what is shown may be old.`);
      // A browser gives up for good where it was answered and not let in.
      if (source.readyState === EventSource.CLOSED) setTimeout(listen, 5000);
    };
  };
  listen();
})();
