// When a form opens, the device's clock says when the thing happened; when it is sent, the clock is sent too,
// so that the server can tell by how much it is off. Without script the server stamps the time.
"use strict";
for (const form of document.querySelectorAll("form[data-stamp]")) {
  const opened = form.elements.namedItem("opened");
  if (opened && !opened.value) opened.value = new Date().toISOString();
  form.addEventListener("submit", () => {
    const sent = form.elements.namedItem("sent");
    if (sent) sent.value = new Date().toISOString();
  });
}
