// Ways to mount a mould in the frame: compared by short trials of spins, and one of them chosen.

import { h, say } from "../dom.js";
import { put } from "./sending.js";

// card: the casting. jobId: the comparison, if one was begun. follow(address, bar, word) shows its
// progress. sentenceOf(job): its words. Returns the parts of the page and the action of the right
// button.
export async function mountingsPage(line, card, jobId, { follow, sentenceOf }) {
  const foot = h("p", { class: "also" }, h("a", { class: "button", href: `#plan/${card.casting_id}` }, "Back to the request"));
  if (!jobId) return asking(line, card, foot);
  const address = `/api/mountings/${jobId}`;
  const job = await line.get(address);
  if (job.error) {
    return { parts: [h("h1", {}, "The mountings were not compared."), h("p", { class: "why" }, job.error),
      h("p", { class: "also" }, h("a", { class: "button", href: `#mount/${card.casting_id}` }, "Once more")), foot] };
  }
  return job.done ? { parts: compared(line, card, job, `${address}/picture.png`, foot) } : waiting(line, job, address, { follow, sentenceOf, foot });
}

function asking(line, card, foot) {
  const told = h("p", { class: "why", role: "status" });
  const press = async () => {
    try {
      const job = await line.post("/api/mountings", { casting_id: card.casting_id });
      location.hash = `mount/${card.casting_id}/${job.job_id}`;
    } catch (error) {
      say(told, error.message);
    }
  };
  const parts = [
    h("h1", { verbatim: true }, card.name),
    h("p", { class: "why" }, "Where the mouth leans, or the form is long one way, another way to mount the mould may leave a clearly better wall. Up to seven ways are tried with a few spins each. It takes some minutes."),
    line.mayAct ? null : h("p", { class: "why" }, "This phone may watch, not compare."),
    told, foot,
  ];
  return { parts, action: line.mayAct ? { label: "Compare the mountings", anytime: true, press } : null };
}

function waiting(line, job, address, { follow, sentenceOf, foot }) {
  const bar = h("progress", { max: "1", value: String(job.fraction), "aria-label": "Progress of the comparison" });
  const word = h("p", { class: "why", role: "status" }, sentenceOf(job));
  follow(address, bar, word, (now) => now.done);
  const cancel = async () => {
    try {
      await line.post(`${address}/cancel`);
    } catch (error) {
      say(word, error.message);
    }
  };
  return { parts: [h("h1", {}, "Comparing …"), bar, word,
    h("p", { class: "also" }, line.mayAct ? h("button", { type: "button", onclick: cancel }, "Cancel") : null), foot] };
}

function compared(line, card, job, picture, foot) {
  const better = job.tried.some((one) => one.better);
  const told = h("p", { class: "answer no", role: "alert" });
  const choose = (one) => async () => {
    try {
      const { casting } = await line.get(`/api/library/castings/${card.casting_id}`);
      const mount = { ...casting.mount, minor_axis: one.minor_axis };
      await put(line, `/api/library/castings/${card.casting_id}`, { casting: { ...casting, mount }, new: false });
      location.hash = `plan/${card.casting_id}`;
    } catch (error) {
      say(told, error.message);
    }
  };
  return [
    h("h1", { verbatim: true }, card.name),
    h("p", { class: "why" }, better
      ? "Another way to mount it may leave a thicker wall. Before you choose it, check by hand that the mould can be held this way, that its clamps clear the frame, and that it can be balanced: the plan states the counterweights."
      : "Mount it as the file says: no other way is better by more than the trials scatter."),
    h("img", { class: "kept", src: picture, alt: "The best way to mount the mould and the file's, each with its minor axis upright and an arrow out of its mouth" }),
    h("ul", { class: "ways" }, job.tried.map((one) => h("li", {},
      h("p", {}, h("b", {}, `${one.thinnest.toFixed(2)} of the mean wall at the thinnest`),
        h("small", {}, `Mouth ${one.mouth_lean_deg.toFixed(0)}° off the minor axis${one.given ? ", as in the file" : `, which lies along ${axisWords(one)} in the mesh`}.`)),
      one.better && line.mayAct ? h("p", { class: "also" }, h("button", { type: "button", onclick: choose(one) }, "Mount it so")) : null))),
    told, foot,
  ];
}

const axisWords = (one) => `[${one.minor_axis.map((part) => String(Math.round(part * 1000) / 1000)).join(", ")}]`;
