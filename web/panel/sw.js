// The offline shell: the page and its files, without data from the rig. They come from the rig if it
// can be reached, otherwise from the phone; a page without a connection says so.

const SHELL = "evenwall-shell-1";
const BARE = "/?shell"; // the page without any data from the rig

self.addEventListener("install", (event) => {
  event.waitUntil(caches.open(SHELL).then((shell) => shell.add(BARE)).then(() => self.skipWaiting()));
});

self.addEventListener("activate", (event) => {
  event.waitUntil(self.clients.claim());
});

self.addEventListener("fetch", (event) => {
  const url = new URL(event.request.url);
  const ours = url.origin === location.origin && event.request.method === "GET";
  if (!ours || url.pathname.startsWith("/api/")) return;
  const navigating = event.request.mode === "navigate";
  const sheet = navigating && !url.pathname.startsWith("/guide/");
  event.respondWith(sheet ? fetch(event.request).catch(bare) : freshOrKept(event.request));
});

const bare = async () => (await caches.open(SHELL)).match(BARE);

async function freshOrKept(request) {
  const shell = await caches.open(SHELL);
  try {
    const answer = await fetch(request);
    if (answer.ok) await shell.put(request, answer.clone());
    return answer;
  } catch (error) {
    const kept = await shell.match(request);
    if (kept) return kept;
    throw error;
  }
}

// A call to a locked phone: shown until somebody looks, and again for each repeat.
self.addEventListener("push", (event) => {
  const call = event.data?.json() ?? { title: "Look at the rig", body: "", tag: "call", urgent: true };
  event.waitUntil(self.registration.showNotification(call.title, {
    body: call.body, tag: call.tag, renotify: true, requireInteraction: call.urgent,
    icon: "/panel/icon-192.png", badge: "/panel/icon-192.png", vibrate: call.urgent ? [220, 120, 220, 120, 220] : [220],
  }));
});

self.addEventListener("notificationclick", (event) => {
  event.notification.close();
  event.waitUntil(self.clients.matchAll({ type: "window" }).then((pages) => {
    const page = pages.find((p) => "focus" in p);
    return page ? page.focus() : self.clients.openWindow("/");
  }));
});
