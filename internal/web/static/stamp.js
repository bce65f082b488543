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
// A tablet that scanned its QR code has the token behind the # of the address; it goes into the field and out of
// the address.
const enrol = document.querySelector("form[data-enrol]");
if (enrol && location.hash.length > 1) {
  enrol.elements.namedItem("token").value = decodeURIComponent(location.hash.slice(1));
  history.replaceState(null, "", location.pathname);
}
