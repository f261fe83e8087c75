// Calls to this phone while it is locked, requested by its owner and sent by the rig.

export const canBeCalled = () => isSecureContext && "PushManager" in globalThis && "serviceWorker" in navigator;

export async function isCalled() {
  const worker = await navigator.serviceWorker.ready;
  return (await worker.pushManager.getSubscription()) !== null;
}

export async function callMe(line) {
  if ((await Notification.requestPermission()) !== "granted") throw new Error("This phone does not allow notifications from this page.");
  const { key } = await line.get("/api/push/key");
  const worker = await navigator.serviceWorker.ready;
  const subscription = await worker.pushManager.subscribe({ userVisibleOnly: true, applicationServerKey: bytes(key) });
  const { endpoint, keys } = subscription.toJSON();
  await line.post("/api/push/subscribe", { endpoint, keys });
}

export async function callMeNoMore(line) {
  const worker = await navigator.serviceWorker.ready;
  await (await worker.pushManager.getSubscription())?.unsubscribe();
  await line.post("/api/push/unsubscribe", {});
}

const bytes = (text) => Uint8Array.from(atob(text.replaceAll("-", "+").replaceAll("_", "/")), (c) => c.charCodeAt(0));
