// Badges at a tablet: known by their form wherever a scanner types them, and read by the camera where the browser can.
"use strict";
(() => {
  const lw = globalThis.linewarden;
  // isBadge gives the badge in its one form, or null.
  lw.isBadge = (text) => (/^LWB1[0-9A-HJKMNP-TV-Z]{26}$/.exec(text.trim().toUpperCase()) || [null])[0];
  if (!lw.device) return;

  const sum = async (badge) => [...new Uint8Array(await crypto.subtle.digest("SHA-256", new TextEncoder().encode("badge:" + badge)))].map((b) => b.toString(16).padStart(2, "0")).join("");

  // keepBadge remembers by its hash whose badge it is, for the time without network. A badge is 130 random bits: its hash does
  // not give it away.
  lw.keepBadge = async (badge, person) => {
    const kept = Object.fromEntries(Object.entries((await lw.get("badges")) || {}).filter(([, p]) => p.id !== person.id));
    await lw.set("badges", { ...kept, [await sum(badge)]: { id: person.id, name: person.name } });
  };
  lw.badgeOwner = async (badge) => ((await lw.get("badges")) || {})[await sum(badge)] || null;
  lw.forgetBadge = async (badge) => {
    const kept = { ...(await lw.get("badges")) };
    delete kept[await sum(badge)];
    await lw.set("badges", kept);
  };

  // watchCamera looks for a badge in front of the camera until one is found or it is stopped.
  lw.watchCamera = async (video, found) => {
    const stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" } });
    const detector = new BarcodeDetector({ formats: ["qr_code"] });
    let on = true;
    const stop = () => {
      on = false;
      for (const track of stream.getTracks()) track.stop();
      video.hidden = true;
    };
    video.srcObject = stream;
    video.hidden = false;
    await video.play();
    (async () => {
      while (on) {
        const codes = await detector.detect(video).catch(() => []);
        const badge = codes.map((c) => lw.isBadge(c.rawValue)).find(Boolean);
        if (badge && on) {
          stop();
          return found(badge);
        }
        await new Promise((go) => setTimeout(go, 200));
      }
    })();
    return stop;
  };
  lw.hasCamera = () => "BarcodeDetector" in globalThis && !!(navigator.mediaDevices && navigator.mediaDevices.getUserMedia);
})();
