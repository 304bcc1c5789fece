// Keeps this page and its stylesheet on the phone, so that it opens again without a signal.
"use strict";
(async () => {
  const said = document.getElementById("kept");
  if (!said) return;
  if (!isSecureContext) { // browsers keep pages only of addresses that can't be forged on the way
    said.textContent = "Leave this page open: it needs nothing more from the network. "
      + "It can't be kept on this phone, for that takes an address with https.";
    return;
  }
  if (!navigator.serviceWorker || !window.caches) return;
  try {
    await navigator.serviceWorker.register("/field-worker.js", { scope: "/sites/" });
    const assets = [...document.querySelectorAll("link[rel=stylesheet], script[src]")];
    const kept = await caches.open("field-1");
    if (navigator.onLine) await kept.addAll([location.pathname, ...assets.map((each) => each.href || each.src)]);
    said.textContent = "Kept on this phone: it opens again without a signal.";
  } catch {
    said.textContent = "This browser couldn't keep the page. Leave it open: it needs nothing more from the network.";
  }
})();
