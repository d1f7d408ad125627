// What native controls do not do: judge a form while one types, follow the progress of a plan, tell what others changed.
// Nothing here computes; every word and figure comes from the server.
"use strict";
const byId = (id) => document.getElementById(id);

function showFinding(list, found) {
  const item = document.createElement("li");
  item.className = "finding " + found.level;
  const level = document.createElement("strong");
  level.textContent = { refused: "Refused", ask: "Asked", note: "Note" }[found.level];
  const remedy = document.createElement("span");
  remedy.className = "remedy";
  remedy.textContent = found.remedy;
  item.append(level, " " + found.reason + ". ", remedy);
  list.append(item);
}

// One request in flight; what was typed meanwhile is asked next, so the newest value wins.
function judgeWhileTyping(form) {
  let flying = false, again = false;
  const lists = new Map();
  form.ownerDocument.querySelectorAll("ul[data-for]").forEach((list) => lists.set(list.dataset.for, list));
  async function ask() {
    if (flying) { again = true; return; }
    flying = true;
    try {
      const answer = await fetch(form.dataset.look, { method: "POST", body: new URLSearchParams(new FormData(form)) });
      if (!answer.ok) throw new Error(answer.status);
      const judged = await answer.json();
      lists.forEach((list) => list.replaceChildren());
      form.querySelectorAll("[aria-invalid]").forEach((one) => one.removeAttribute("aria-invalid"));
      for (const found of judged.findings) {
        const unit = found.column && form.querySelector(`option[value="${CSS.escape(found.column)}"]`);
        const key = unit && unit.parentElement.name.startsWith("unit-") ? unit.parentElement.name.slice(5) : found.column || "";
        showFinding(lists.get(key) || lists.get(""), found);
        const field = byId(key);
        if (field && found.level === "refused") field.setAttribute("aria-invalid", "true");
      }
      byId("estimates").innerHTML = judged.estimates; // made and escaped by the server's template
      byId("typed").hidden = false;
      byId("lost").hidden = true;
    } catch (error) {
      byId("lost").hidden = false;
    }
    flying = false;
    if (again) { again = false; ask(); }
  }
  form.addEventListener("change", ask);
}

async function followPlan(section) {
  try {
    const now = await (await fetch(section.dataset.progress)).json();
    byId("lost").hidden = true;
    if (!["waiting", "running"].includes(now.standing)) { location.reload(); return; }
    byId("progress-words").textContent = now.words;
    const bar = byId("progress-bar");
    if (now.of) { bar.max = now.of; bar.value = now.done; } else { bar.removeAttribute("value"); }
  } catch (error) {
    byId("lost").hidden = false;
  }
  setTimeout(() => followPlan(section), 1000);
}

async function tellChanges() {
  const body = document.body;
  try {
    const answer = await fetch("/changes?since=" + body.dataset.sequence);
    if (!answer.ok) throw new Error(answer.status);
    const news = await answer.json();
    byId("lost").hidden = true;
    if (news.engine_ready && byId("engine")) byId("engine").textContent = "The engine is ready.";
    if (news.words.length) {
      const told = byId("changed");
      const link = document.createElement("a");
      link.href = location.pathname;
      link.textContent = "Show the page anew";
      told.replaceChildren("Changed since this page was made: " + news.words.join("; ") + ". ", link);
      told.hidden = false;
    }
  } catch (error) {
    byId("lost").hidden = false;
  }
  setTimeout(tellChanges, 5000);
}

// A what-if: slider and number go together, the newest value wins, one request in flight. Figures that do not belong to
// what is dialled are marked as old from the first late or failed answer until the next good one.
function turnKnobs(form) {
  const late = 400, again = 2000;
  let flying = false, waiting = false, slow = 0;
  const stale = (is) => { byId("stale").hidden = !is; byId("results").classList.toggle("is-stale", is); };
  async function ask() {
    if (flying) { waiting = true; return; }
    flying = true;
    waiting = false;
    const asked = new URLSearchParams(new FormData(form)).toString();
    clearTimeout(slow);
    slow = setTimeout(() => stale(true), late);
    try {
      const answer = await fetch(form.dataset.part + "?" + asked);
      const said = await answer.json();
      const list = byId("what-if-findings");
      list.replaceChildren();
      form.querySelectorAll("[aria-invalid]").forEach((one) => one.removeAttribute("aria-invalid"));
      for (const found of said.findings) {
        showFinding(list, { level: "refused", ...found });
        if (byId(found.column)) byId(found.column).setAttribute("aria-invalid", "true");
      }
      clearTimeout(slow);
      if (answer.ok) {
        byId("results").innerHTML = said.html; // made and escaped by the server's template
        byId("spoken").textContent = said.words;
        if (!waiting) stale(false);
      } else {
        stale(true);
        if (answer.status !== 422) throw new Error(answer.status);
      }
      byId("lost").hidden = true;
    } catch (error) {
      stale(true);
      byId("lost").hidden = false;
      setTimeout(ask, again);
    }
    flying = false;
    if (waiting) ask();
  }
  form.addEventListener("input", (event) => {
    const one = event.target;
    if (one.type === "text" || one.tagName === "SELECT") return; // told by their change event
    if (one.type === "range") byId(one.dataset.for).value = one.value;
    else form.querySelector(`[data-for="${one.id}"]`).value = one.value;
    ask();
  });
  form.addEventListener("change", (event) => { if (["text", "select-one"].includes(event.target.type)) ask(); });
  form.addEventListener("submit", (event) => { event.preventDefault(); ask(); });
}

// A part of the page that takes seconds comes after it.
async function loadPart(part) {
  try {
    const answer = await fetch(part.dataset.load);
    if (answer.status >= 500) throw new Error(answer.status);
    part.innerHTML = await answer.text(); // made and escaped by the server's template
    byId("lost").hidden = true;
  } catch (error) {
    byId("lost").hidden = false;
    setTimeout(() => loadPart(part), 3000);
  }
}

// How long a tube has been clamped: the server says for how long it was when the page was made.
function countSeconds(shown) {
  const began = Date.now() - 1000 * shown.dataset.seconds;
  const words = shown.parentElement.querySelector(".stop-words");
  function tick() {
    const passed = Math.max(0, (Date.now() - began) / 1000);
    shown.textContent = Math.floor(passed) + " s";
    if (passed >= Number(shown.dataset.stop)) words.textContent = "STOP: bag this patient now";
    setTimeout(tick, 200);
  }
  tick();
}

// Enter goes to the next field, so that a round half typed is not sent.
function enterGoesOn(form) {
  form.addEventListener("keydown", (event) => {
    if (event.key !== "Enter" || !["INPUT", "SELECT"].includes(event.target.tagName)) return;
    event.preventDefault();
    const fields = [...form.querySelectorAll("input:not([type=hidden]), select, button")].filter((one) => one.checkVisibility());
    fields[fields.indexOf(event.target) + 1].focus();
  });
}

document.querySelectorAll("[data-seconds]").forEach(countSeconds);
document.querySelectorAll("form[data-enter]").forEach(enterGoesOn);
document.querySelectorAll("[data-load]").forEach(loadPart);
const knobs = byId("what-if");
if (knobs) turnKnobs(knobs);
const form = byId("bed-form");
if (form) judgeWhileTyping(form);
const working = document.querySelector("[data-progress]");
if (working) followPlan(working);
if ("live" in document.body.dataset) setTimeout(tellChanges, 5000);
