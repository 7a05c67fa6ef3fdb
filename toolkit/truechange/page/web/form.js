// What the form does while somebody types: ask for the answer, then its picture; grey both when the program is gone.
"use strict";
const form = document.getElementById("form"), said = document.getElementById("said"), rest = document.getElementById("rest");
const picture = document.getElementById("drawn"), answer = document.getElementById("answer");
const hint = said.innerHTML;
let asked = 0, timer = 0, wrongs = {};
const touched = new Set();

function typed() {
  const fields = { when: [], score: [], other: [] };
  return gathered(form, fields);
}

function gathered(from, fields) {
  for (const [name, value] of new FormData(from)) {
    if (name in fields && Array.isArray(fields[name])) fields[name].push(value);
    else fields[name] = value;
  }
  return fields;
}

async function post(where, fields = typed()) {
  const response = await fetch(where, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(fields) });
  if (response.status === 500) return { wrong: {}, answer: "<h2 class='verdict none'>No answer</h2><p>The program failed on this entry; its terminal names the place.</p>" };
  if (!response.ok) throw new Error(response.status);
  return response.json();
}

function alive(is) {
  document.body.classList.toggle("lost", !is);
  document.getElementById("lost").hidden = is;
}

function mark(wrong) {
  for (const place of document.querySelectorAll("[data-wrong]")) {
    const name = place.dataset.wrong, words = wrong[name] || "";
    const early = words.startsWith("Needed") && !touched.has(name);  // nobody is scolded for a field not reached yet
    place.textContent = early ? "" : words;
    const field = document.getElementById(name);
    if (field) field.setAttribute("aria-invalid", String(Boolean(place.textContent)));
  }
}

function show(html) {
  const [head, tail = ""] = html.split("<!-- picture -->");
  said.innerHTML = head || hint;
  rest.innerHTML = tail;
}

function listed(id, title, texts) {
  const place = document.getElementById(id);
  if (!place || !texts.length) return;
  const head = document.createElement("h3"), list = document.createElement("ul");
  head.textContent = title;
  for (const text of texts) list.appendChild(document.createElement("li")).textContent = text;
  place.replaceChildren(head, list);
}

async function ask() {
  const mine = ++asked;
  answer.classList.add("waiting");
  try {
    const found = await post("answer");
    if (mine !== asked) return;
    alive(true);
    mark(wrongs = found.wrong);
    show(found.answer);
    answer.classList.remove("waiting");
    if (!found.answer) { picture.hidden = true; return; }
    const seen = await post("picture");
    if (mine !== asked) return;
    const image = picture.querySelector("img");
    image.src = seen.src;
    image.alt = seen.alt;
    picture.hidden = !seen.src;
    listed("sources", "Sources", seen.sources);
  } catch {
    alive(false);
  }
}

function soon() {
  picture.hidden = true;  // a picture of other numbers must not stand beside these
  answer.classList.add("waiting");
  clearTimeout(timer);
  timer = setTimeout(ask, 10);
}

function another(kind) {
  const rows = document.querySelectorAll(kind), place = rows.length, row = rows[1].cloneNode(true);
  for (const one of row.querySelectorAll("[id], [for], [data-wrong], [aria-describedby]")) {
    for (const name of ["id", "for", "data-wrong", "aria-describedby"]) {
      const value = one.getAttribute(name);
      if (value) one.setAttribute(name, value.replace(":1", ":" + place));
    }
    if (one.tagName === "INPUT") { one.value = ""; one.removeAttribute("aria-invalid"); }
    if (one.dataset.wrong) one.textContent = "";
  }
  rows[place - 1].after(row);
  row.querySelector("input").focus();
  return { rows, row, place };
}

function add() {
  const { rows, row, place } = another(".visit");
  const name = (which) => rows[0].querySelector("label").textContent.replace("First", which);
  rows.forEach((old, at) => { if (at) old.querySelector("label").textContent = name("Visit " + (at + 1)); });
  row.querySelector("label").textContent = name("Visit " + (place + 1));
}

async function climb(from) {
  const fields = gathered(from, { day: [], seat: [], load: [], reps: [], arms: [], sore: [] });
  fields.goal = document.getElementById("goal").value;
  const found = await post("ladder", fields), image = document.querySelector("#climb img");
  document.getElementById("climbed").replaceChildren(...[...found.says, ...found.cautions].map((text) => {
    const line = document.createElement("p");
    line.textContent = text;
    return line;
  }));
  image.src = found.src;
  image.alt = found.alt;
  document.getElementById("climb").hidden = !found.src;
}

async function copy() {
  await navigator.clipboard.writeText(document.getElementById("chart").textContent);
  document.getElementById("copied").textContent = "Copied.";
}

async function change(measure) {  // another test brings its own fields; what was typed for the old one goes, the person stays
  const kept = {};
  for (const name of ["age", "sex", "mass", "height"]) kept[name] = document.getElementById(name).value;
  ++asked;
  try {
    const page = new DOMParser().parseFromString(await (await fetch("?measure=" + encodeURIComponent(measure))).text(), "text/html");
    for (const part of ["tested", "more"]) document.getElementById(part).innerHTML = page.getElementById(part).innerHTML;
    for (const name in kept) document.getElementById(name).value = kept[name];
    touched.clear();
    mark(wrongs = {});
    show("");
    picture.hidden = true;
    answer.classList.remove("waiting");
  } catch {
    alive(false);
  }
}

document.addEventListener("input", (event) => {
  const name = event.target.name;
  if (event.target.form !== form) return;
  if (name === "measure") { change(event.target.value); return; }
  for (const other of [name + "_from", (name || "").replace("_from", "")]) {  // a number and a source of it exclude each other
    const field = document.getElementById(other);
    if (other !== name && field && event.target.value && /^(sem|mcid)(_from)?$/.test(name)) field.value = "";
  }
  soon();
});
document.addEventListener("focusout", (event) => { touched.add(event.target.id); mark(wrongs); });
document.addEventListener("submit", (event) => {
  if (event.target.id === "ladder") { event.preventDefault(); climb(event.target).catch(() => alive(false)); }
  if (event.target.id !== "hand-over") return;
  event.target.elements.typed.value = JSON.stringify(typed());
  event.target.elements.as.value = document.getElementById("as-pdf").checked ? "pdf" : "";
});
form.addEventListener("submit", (event) => { event.preventDefault(); ask(); });
document.addEventListener("click", (event) => {
  if (event.target.id === "add") add();
  if (["add", "dates"].includes(event.target.id)) document.getElementById("visits").classList.add("dated");
  if (event.target.id === "copy") copy();
  if (event.target.id === "add-day") another(".day");
});
setInterval(() => fetch("alive").then((found) => alive(found.ok), () => alive(false)), 3000);
