// What is asked of the server. Every answer is JSON; a refusal is thrown with the server's own words.

async function answered(response) {
  const data = await response.json().catch(() => ({}));
  if (!response.ok) throw new Error(data.error || `The server answered ${response.status}.`);
  return data;
}

const get = async (path) => answered(await fetch(path, { credentials: "same-origin" }));

const post = async (path, body, signal) =>
  answered(
    await fetch(path, {
      method: "POST",
      credentials: "same-origin",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify(body),
      signal,
    }),
  );

export const photos = () => get("/api/photos");
export const photo = (index) => get(`/api/photos/${index}`);
export const pictureAddress = (index) => `/api/photos/${index}/picture`;
export const measure = (index, drawing, signal) => post(`/api/photos/${index}/measure`, drawing, signal);
export const segment = (index, asked) => post(`/api/photos/${index}/segment`, asked);
export const snap = (index, asked) => post(`/api/photos/${index}/snap`, asked);
export const save = (index, drawing, by) => post(`/api/photos/${index}/save`, { drawing, by });
