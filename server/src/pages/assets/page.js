// Keeps live parts fresh, keeps what was typed when the connection is lost, and brings a scanner's typing to the scan field.
// Everything works without this; nothing here decides anything.
"use strict";
(() => {
  const lost = document.querySelector("[data-lost]");
  const seen = document.querySelector("[data-seen]");
  const typing = () => {
    const at = document.activeElement;
    return at && at.matches("input, select, textarea") ? at : null;
  };

  // --- live parts -------------------------------------------------------------------------------------------------
  // What the page was made of; whatever comes later is news, also when it came before the stream was open.
  let newest = document.querySelector("main").dataset.sequence, busy = false, again = false;
  const refresh = async () => {
    if (busy) { again = true; return; }
    busy = true;
    try {
      const url = new URL(location.href);
      url.searchParams.delete("done");
      const answer = await fetch(url, { headers: { "X-Live": "1" } });
      if (!answer.ok) return;
      const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
      for (const part of document.querySelectorAll("[data-live][id]")) {
        const found = fresh.getElementById(part.id);
        // A part that somebody is typing in, or has opened, stays as it is.
        const inUse = part.contains(typing()) || part.querySelector("details[open]");
        if (found && !inUse && found.innerHTML !== part.innerHTML) part.innerHTML = found.innerHTML;
      }
    } catch { /* the stream below notices a lost connection */ } finally {
      busy = false;
      if (again) { again = false; refresh(); }
    }
  };
  const clock = () => new Date().toLocaleTimeString(document.documentElement.lang, { hour: "2-digit", minute: "2-digit" });
  if (document.querySelector("[data-live]")) {
    const stream = new EventSource("/live");
    stream.addEventListener("recorded", (event) => {
      if (lost) lost.hidden = true;
      if (newest !== event.data) refresh();
      newest = event.data;
      if (seen) seen.textContent = clock();
    });
    stream.addEventListener("error", () => { if (lost) lost.hidden = false; });
    addEventListener("pagehide", () => stream.close());
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
      const answer = await fetch(form.action, { method: "POST", body, redirect: "follow" });
      if (lost) lost.hidden = true;
      if (answer.redirected) { sessionStorage.removeItem(draft(form)); location.assign(answer.url); return; }
      show(await answer.text());
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
  const draft = (form) => `draft ${location.pathname} ${form.dataset.keep}`;
  document.addEventListener("input", (event) => {
    const form = event.target.closest("form[data-keep]");
    if (!form) return;
    const rows = [...new FormData(form)].filter(([name]) => !["token", "from", "about", "seen"].includes(name));
    sessionStorage.setItem(draft(form), JSON.stringify({ at: Date.now(), rows }));
  });
  const restore = (form) => {
    const kept = JSON.parse(sessionStorage.getItem(draft(form)) || "null");
    if (!kept || Date.now() - kept.at > 900000) return;
    if ([...form.elements].some((e) => e.getAttribute("aria-invalid"))) return;
    for (const [name, value] of kept.rows) {
      for (const field of form.querySelectorAll(`[name="${CSS.escape(name)}"]`)) {
        if (field.type === "checkbox") { if (field.value === value) field.checked = true; } else { field.value = value; }
      }
    }
    const fold = form.closest("details.fold");
    if (fold && kept.rows.some(([name, value]) => value && name !== "request_id" && name !== "key")) fold.open = true;
  };

  // --- scanner: fast keys and Enter go to the scan field when no other field is in use --------------------------------
  const scanField = () => document.querySelector("main [data-scan]") || document.querySelector("[data-scan]");
  document.addEventListener("keydown", (event) => {
    if (typing() || event.ctrlKey || event.altKey || event.metaKey) return;
    if (event.key.length === 1 && event.key !== " ") { const field = scanField(); if (field) { field.focus(); } }
  });
  // In a list that takes many scans, Enter ends a line and does not send the form.
  document.addEventListener("click", (event) => { if (event.target.closest("[data-print]")) print(); });

  const begin = () => {
    for (const form of document.querySelectorAll("form[data-keep]")) restore(form);
    const field = document.querySelector("main [data-scan]");
    if (field && !typing()) field.focus({ preventScroll: true });
    const target = document.querySelector("#verdict");
    if (target) target.scrollIntoView({ block: "nearest" });
  };
  begin();
})();
