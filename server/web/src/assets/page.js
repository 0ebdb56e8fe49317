// Keeps live parts fresh, keeps what was typed when the connection is lost, and brings a scanner's typing to the scan field.
// Everything works without this; nothing here decides anything.
"use strict";
(() => {
  const lost = document.querySelector("[data-lost]");
  const seen = document.querySelector("[data-seen]");
  const typing = () => {
    const at = document.activeElement;
    return at && at.matches("input:not([type=checkbox]), textarea") ? at : null;
  };

  // --- live parts -------------------------------------------------------------------------------------------------
  // What the page was made of; whatever comes later is news, also when it came before the stream was open.
  let newest = document.querySelector("main").dataset.sequence, shown = newest, busy = false;
  const refresh = async () => {
    if (busy) return;
    busy = true;
    const wanted = newest;
    try {
      const url = new URL(location.href);
      url.searchParams.delete("done");
      const answer = await fetch(url, { headers: { "X-Live": "1" }, signal: AbortSignal.timeout(10000) });
      if (!answer.ok) throw new Error("no page");
      const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
      for (const part of document.querySelectorAll("[data-live][id]")) {
        const found = fresh.getElementById(part.id);
        // A part that somebody is in, or has opened, stays as it is.
        const inUse = part.contains(document.activeElement) || part.querySelector("details[open]");
        if (!found || inUse || found.innerHTML === part.innerHTML) continue;
        // What was ticked stays ticked, what was scrolled stays where it was.
        const ticked = new Set([...part.querySelectorAll("input:checked")].map((e) => `${e.name} ${e.value}`));
        const along = [...part.querySelectorAll(".scroll")].map((e) => e.scrollLeft);
        part.innerHTML = found.innerHTML;
        if (part.closest("form")) for (const box of part.querySelectorAll("input[type=checkbox]")) box.checked = ticked.has(`${box.name} ${box.value}`);
        [...part.querySelectorAll(".scroll")].forEach((e, index) => { e.scrollLeft = along[index] || 0; });
      }
      shown = wanted;
      if (seen) seen.textContent = clock();
    } catch {
      // What was missed is fetched again, and until then the page does not pass for fresh.
      if (lost) lost.hidden = false;
      setTimeout(refresh, 2000);
    } finally {
      busy = false;
      if (shown === wanted && shown !== newest) refresh();
    }
  };
  // By the site's clock, as everywhere on the pages.
  const clock = () => {
    const form = { hour: "2-digit", minute: "2-digit", hourCycle: "h23" };
    try { return new Date().toLocaleTimeString("en-GB", { ...form, timeZone: document.documentElement.dataset.zone || "UTC" }); }
    catch { return new Date().toLocaleTimeString("en-GB", form); }
  };
  // An answer that rests on what is no longer so says it, and its button waits for a new question.
  const outdate = () => {
    const mark = document.querySelector("[data-stale]");
    if (!mark || !mark.hidden) return;
    mark.hidden = false;
    mark.closest(".verdict").classList.add("old");
    for (const button of document.querySelectorAll("form[data-keep='lift'] button")) button.disabled = true;
  };
  // What was seen counts for the lift it was ticked for: any other change takes it back. The server makes the same text.
  const liftOf = (form) => {
    const data = new FormData(form), scan = data.get("bag_scan").trim();
    const bags = [...new Set([...data.getAll("bag"), ...(scan ? [scan] : [])])].sort();
    return [bags.join(","), data.getAll("gear").join(","), data.get("hoist"), data.get("direction")].join("|");
  };
  const changed = (event) => {
    const form = event.target.closest("form[data-asks]");
    if (!form) return;
    if (event.target.matches("[data-confirms]")) form.elements.confirmed_for.value = liftOf(form);
    else for (const box of form.querySelectorAll("[data-confirms]")) box.checked = false;
    outdate();
  };
  for (const kind of ["input", "change"]) document.addEventListener(kind, changed);
  // The stream tells every new sequence and beats in between; when it falls silent the connection is lost, whatever the
  // browser thinks. A page nobody looks at keeps none: browsers open only a few connections to one server.
  if (document.querySelector("[data-live], [data-stale]")) {
    let stream = null, heard = 0;
    const hear = () => { heard = Date.now(); if (lost && shown === newest) { lost.hidden = true; if (seen) seen.textContent = clock(); } };
    const listen = () => {
      if (stream) stream.close();
      heard = Date.now();
      stream = new EventSource("/live");
      stream.addEventListener("recorded", (event) => {
        const news = newest !== event.data;
        newest = event.data;
        if (news) outdate();
        if (shown !== newest) refresh(); else hear();
        heard = Date.now();
      });
      stream.addEventListener("beat", hear);
      stream.addEventListener("error", () => { if (lost) lost.hidden = false; });
    };
    const hush = () => { if (stream) stream.close(); stream = null; };
    setInterval(() => {
      if (document.hidden || !stream || Date.now() - heard < 12000) return;
      if (lost) lost.hidden = false;
      listen();
    }, 3000);
    document.addEventListener("visibilitychange", () => { if (document.hidden) hush(); else if (!stream) listen(); });
    addEventListener("pagehide", hush);
    addEventListener("pageshow", () => { if (!stream && !document.hidden) listen(); });
    if (!document.hidden) listen();
  }

  // --- forms: sent without leaving the page, so that nothing typed is lost with the connection -----------------------
  const show = (text, url) => {
    const fresh = new DOMParser().parseFromString(text, "text/html");
    document.title = fresh.title;
    document.querySelector("main").replaceWith(fresh.querySelector("main"));
    if (url) history.replaceState(null, "", url);
    begin();
    const notice = document.querySelector("[data-notice]");
    if (notice) notice.scrollIntoView({ block: "nearest" });
    if (notice && notice.matches(".bad")) notice.focus({ preventScroll: true });
  };
  const send = async (form, button) => {
    if (form.dataset.sending) return;
    form.dataset.sending = "1";
    if (button) button.setAttribute("aria-busy", "true");
    const body = new URLSearchParams(new FormData(form, button));
    try {
      const answer = await fetch(form.action, { method: "POST", body, redirect: "follow", signal: AbortSignal.timeout(20000) });
      if (lost) lost.hidden = true;
      if (answer.redirected) { sessionStorage.removeItem(draft(form)); location.assign(answer.url); return; }
      show(await answer.text(), form.dataset.asks);
    } catch {
      if (lost) { lost.hidden = false; lost.scrollIntoView({ block: "nearest" }); }
    } finally {
      delete form.dataset.sending;
      if (button) button.removeAttribute("aria-busy");
    }
  };
  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (form.method !== "post") return;
    event.preventDefault();
    send(form, event.submitter);
  });

  // --- drafts: what was typed comes back when the page is loaded again within a quarter of an hour --------------------
  // Only what people typed, by its place in the form: what the server put there is newer than any draft, above all which bag
  // or run the form is about. A draft belongs to who typed it.
  const who = () => document.querySelector("main").dataset.who || "";
  const unseen = ["token", "request_id", "from", "seen"];
  const aboutOf = (form) => [...form.querySelectorAll("input[type=hidden]")].filter((e) => !unseen.includes(e.name)).map((e) => e.value).join(" ");
  const draft = (form) => `draft ${location.pathname} ${aboutOf(form)} ${who()}`;
  const typedFields = (form) => [...form.querySelectorAll("input:not([type=hidden]), select, textarea")];
  document.addEventListener("input", (event) => {
    const form = event.target.closest("form[data-keep]");
    if (!form) return;
    const rows = typedFields(form).map((e) => [e.name, e.type === "checkbox" ? e.checked : e.value, e.type === "checkbox" ? e.defaultChecked : e.defaultValue]);
    sessionStorage.setItem(draft(form), JSON.stringify({ at: Date.now(), rows }));
  });
  const restore = (form) => {
    const kept = JSON.parse(sessionStorage.getItem(draft(form)) || "null");
    if (!kept || Date.now() - kept.at > 900000) return;
    if ([...form.elements].some((e) => e.getAttribute("aria-invalid"))) return;
    const fields = typedFields(form);
    if (fields.length !== kept.rows.length || kept.rows.some(([name], place) => fields[place].name !== name)) return;
    let changed = false;
    kept.rows.forEach(([, value], place) => {
      const field = fields[place], now = field.type === "checkbox" ? field.checked : field.value;
      if (now === value) return;
      changed = true;
      if (field.type === "checkbox") field.checked = value; else field.value = value;
    });
    if (!changed) return;
    const fold = form.closest("details.fold");
    if (fold) fold.open = true;
    // It says so, and can be thrown away.
    const note = document.getElementById("kept-note");
    if (!note || form.querySelector(".kept")) return;
    form.prepend(note.content.cloneNode(true));
    form.querySelector(".kept button").addEventListener("click", () => { sessionStorage.removeItem(draft(form)); location.reload(); });
  };

  // --- scanner: fast keys and Enter go to the scan field when no other field is in use --------------------------------
  const scanField = () => document.querySelector("main [data-scan]") || document.querySelector("[data-scan]");
  // A scanner's keys come faster than fingers; its Enter ends a field, it does not send a form of many fields.
  let before = 0, fast = 0, chosen = null;
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    const now = performance.now();
    if (event.key.length === 1) fast = now - before < 40 ? fast + 1 : 0;
    const scanned = event.key === "Enter" && fast >= 3 && now - before < 80;
    before = now;
    const at = document.activeElement;
    if (scanned) {
      fast = 0;
      const form = at && at.matches("input") && at.closest("form.action[data-keep]");
      if (form) {
        const fields = [...form.querySelectorAll("input:not([type=hidden]), select, textarea")].filter((e) => e.offsetParent);
        const next = fields[fields.indexOf(at) + 1];
        if (fields.length > 1) { event.preventDefault(); if (next) next.focus(); }
      }
      return;
    }
    if (typing() || event.key.length !== 1 || event.key === " ") return;
    const field = scanField();
    if (!field) return;
    if (!at || !at.matches("select")) { field.focus(); return; }
    // A list would choose by the letters of a scan: the first one is taken back when the second follows too fast for fingers.
    if (fast === 0) { chosen = { at, value: at.value, key: event.key }; return; }
    if (!chosen || chosen.at !== at) return;
    event.preventDefault();
    at.value = chosen.value;
    field.value = chosen.key + event.key;
    field.focus();
    chosen = null;
  });
  document.addEventListener("keydown", (event) => {
    // A tick box or a list takes no scan; its Enter must not send the form either.
    const at = document.activeElement;
    if (event.key === "Enter" && at && at.matches("input[type=checkbox], select")) event.preventDefault();
  }, true);
  document.addEventListener("click", (event) => { if (event.target.closest("[data-print]")) print(); });
  addEventListener("beforeprint", () => { for (const part of document.querySelectorAll("details.print")) part.open = true; });

  const begin = () => {
    for (const form of document.querySelectorAll("form[data-keep]")) restore(form);
    const field = document.querySelector("main [data-scan]");
    if (field && !typing()) field.focus({ preventScroll: true });
    const target = document.querySelector("#verdict");
    if (target) target.scrollIntoView({ block: "nearest" });
  };
  begin();
})();
