// A keypad that gloves can hit, for fields of numbers. A physical keyboard goes on working.
"use strict";
(() => {
  const pad = document.createElement("div");
  pad.className = "keypad";
  pad.hidden = true;
  let field = null;

  const key = (text, label, act, name) => {
    const b = document.createElement("button");
    b.type = "button";
    b.tabIndex = -1;
    b.dataset.key = text;
    b.textContent = text;
    b.className = name || "";
    if (label) b.setAttribute("aria-label", label);
    b.addEventListener("pointerdown", (e) => e.preventDefault()); // the field keeps the focus
    b.addEventListener("click", act);
    return b;
  };

  function put(text) {
    if (!field) return;
    const [from, to] = field.type === "password" ? [field.value.length, field.value.length] : [field.selectionStart, field.selectionEnd];
    if (field.maxLength > 0 && field.value.length - (to - from) + text.length > field.maxLength) return;
    field.value = field.value.slice(0, from) + text + field.value.slice(to);
    if (field.type !== "password") field.setSelectionRange(from + text.length, from + text.length);
    field.dispatchEvent(new Event("input", { bubbles: true }));
    // A number that has all the decimals its method shows is complete: on to the next.
    const decimals = Number(field.dataset.decimals || 0);
    const part = field.value.split(/[.,]/)[1];
    if (decimals && part && part.length >= decimals && text !== mark) next();
  }

  function back() {
    if (!field) return;
    field.value = field.value.slice(0, -1);
    field.dispatchEvent(new Event("input", { bubbles: true }));
  }

  // next goes to the next empty field that wants a number, or else to the button that saves.
  function next() {
    if (!field) return;
    const form = field.form;
    const all = [...form.querySelectorAll("input.num")].filter((f) => f.checkVisibility());
    const to = all.slice(all.indexOf(field) + 1).find((f) => f.required && !f.value);
    if (to) to.focus();
    else if (all.every((f) => !f.required || f.value)) {
      if (field.type === "password" || [...form.querySelectorAll("input[required][type=radio]")].every((r) => form.elements[r.name].value)) form.requestSubmit();
      else form.querySelector("button[type=submit]").focus();
    } else all.find((f) => f.required && !f.value).focus();
  }

  const mark = document.documentElement.lang === "es" ? "," : ".";
  const point = key(mark, "", () => put(mark));
  const go = key("→", "", next, "go");
  for (const n of "789456123") pad.append(key(n, "", () => put(n)));
  pad.append(point, key("0", "", () => put("0")), key("⌫", document.body.dataset.wordBack, back), go);

  document.addEventListener("focusin", (e) => {
    const wants = e.target.matches && e.target.matches("input.num");
    if (!wants) {
      field = null;
      pad.hidden = true;
      document.body.classList.remove("typing");
      return;
    }
    field = e.target;
    field.inputMode = "none"; // no other keyboard over this one
    (field.closest("dialog") || document.body).append(pad);
    point.hidden = field.type === "password";
    go.textContent = field.type === "password" ? document.body.dataset.wordSave : document.body.dataset.wordNext;
    pad.hidden = false;
    document.body.classList.add("typing");
    field.scrollIntoView({ block: "center" });
  });
})();
