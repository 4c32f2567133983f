// Keeps an open page of `watch` up to date. A page on disk cannot read files, its own among them,
// but it can frame itself: the copy tells its revision, and where that is another one, this page is
// loaded anew, and shows the same instant and stretch of time.
(() => {
  const own = document.body.dataset.revision;
  if (page.isCopy) {
    if (own) window.parent.postMessage({ revision: own }, "*");
    return;
  }
  const kept = window.sessionStorage.getItem("shown");
  if (kept) {
    window.sessionStorage.removeItem("shown");
    const { from, to, now } = JSON.parse(kept);
    page.zoom?.show(from, to);
    if (now !== null) page.instant?.show(now);
  }
  if (!own) return;

  let copy = null;
  window.addEventListener("message", (event) => {
    if (copy === null || event.source !== copy.contentWindow) return;
    const seen = event.data && event.data.revision;
    copy.remove();
    copy = null;
    if (!seen || seen === own) return;
    if (page.instant) {
      const [from, to] = page.shown;
      window.sessionStorage.setItem("shown", JSON.stringify({ from, to, now: page.instant.now() }));
    }
    window.location.reload();
  });
  let waited = 0;
  window.setInterval(() => {
    if (document.hidden) return;
    // A copy that is still on its way is given some time.
    if (copy && (waited += 1) < 5) return;
    if (copy) copy.remove();
    waited = 0;
    copy = document.createElement("iframe");
    copy.hidden = true;
    copy.title = "a newer copy of this page";
    copy.src = `${window.location.href.split(/[?#]/)[0]}?look=${Date.now()}`;
    document.body.append(copy);
  }, 1000);
})();
