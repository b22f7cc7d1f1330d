// Asking the program: an answer always, status 0 where there was none.
export async function ask(path, { method = "GET", body, raw } = {}) {
  const options = { method };
  if (raw !== undefined) options.body = raw;
  else if (body !== undefined) {
    options.body = JSON.stringify(body);
    options.headers = { "content-type": "application/json" };
  }
  try {
    const answer = await fetch(path, options);
    const data = await answer.json().catch(() => null);
    return { ok: answer.ok, status: answer.status, data };
  } catch {
    return { ok: false, status: 0, data: null };
  }
}

export const post = (path, body) => ask(path, { method: "POST", body });
export const jobPath = (job, rest = "") => `/api/jobs/${encodeURIComponent(job)}${rest}`;
