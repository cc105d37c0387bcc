// The forms of the bench: numbers worked out while they are typed, buttons that add, and one question for an unlikely number.
"use strict";
const form = document.querySelector("form[data-entry]");

function part(box, end) {
  const field = form.elements[box.dataset.tally + end];
  const text = field ? field.value.replace(/[\s,]/g, "") : "";
  return text === "" ? null : /^\d{1,7}$/.test(text) ? Number(text) : NaN;
}

function total(box) {
  const trays = part(box, ".trays") || 0;
  const odd = part(box, "");
  if (!trays && odd === null) return null;
  return trays ? trays * (part(box, ".cells") || 0) - (part(box, ".gaps") || 0) + (odd || 0) : odd;
}

function noun(box, count) {
  return count === 1 ? box.dataset.one : box.dataset.many;
}

function said(box) {
  const units = total(box);
  if (units === null) return "";
  if (!(units >= 0)) return "These numbers do not add up.";
  const trays = part(box, ".trays");
  const all = `${units.toLocaleString("en-GB")} ${noun(box, units)}`;
  if (!trays) return all;
  const gaps = part(box, ".gaps") ? ` less ${part(box, ".gaps")}` : "";
  const odd = part(box, "") ? ` and ${part(box, "")} odd` : "";
  return `${trays} ${trays === 1 ? "tray" : "trays"} of ${part(box, ".cells") || 0}${gaps}${odd} = ${all}`;
}

function doubted(box) {
  const units = total(box);
  return box.dataset.above !== undefined && units > Number(box.dataset.above) && units > 3 ? units : null;
}

function ask(units) {
  let box = document.getElementById("doubt");
  if (!box) {
    box = document.createElement("div");
    box.id = "doubt";
    box.className = "warn";
    box.setAttribute("role", "alert");
    form.querySelector("button.main").before(box);
  }
  let kept = form.elements.confirmed;
  if (!kept) {
    kept = document.createElement("input");
    kept.type = "hidden";
    kept.name = "confirmed";
    form.append(kept);
  }
  kept.value = String(units);
  box.textContent = `Not written yet. ${units} is a lot for this batch. Is it right?`;
  form.querySelector("button.main").textContent = "Yes, write it down";
}

if (form) {
  const boxes = [...form.querySelectorAll("[data-tally]")];
  const show = () => boxes.forEach((box) => { box.querySelector("output").textContent = said(box); });
  form.addEventListener("input", show);
  show();
  for (const button of form.querySelectorAll("button[name=step]")) {
    button.type = "button";
    button.addEventListener("click", () => {
      const [name, by] = button.value.split(":");
      const field = form.elements[name];
      const before = Number(field.value.replace(/[\s,]/g, "")) || 0;
      field.value = Number(by) ? String(before + Number(by)) : "";
      show();
    });
  }
  form.addEventListener("submit", (event) => {
    const units = boxes.slice(0, 1).map(doubted)[0];
    const confirmed = form.elements.confirmed ? form.elements.confirmed.value : "";
    if (units !== null && units !== undefined && confirmed !== String(units) && form.querySelector("button.main")) {
      event.preventDefault();
      event.stopImmediatePropagation();
      ask(units);
    }
  }, true);
}
