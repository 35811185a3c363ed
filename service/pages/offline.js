// Keeps the files of the pages, and nothing else, for a reload without a connection. What the service says about
// exams is never kept here.

const KEPT = "solewire-pages";
const FILES = [
    "/",
    "/assets/style.css", "/assets/mark.svg",
    ...["shell", "dom", "service", "work", "catalogue", "document", "answers", "controls", "feet", "assessment", "start", "exam"]
        .map(name => `/assets/${name}.js`),
];

self.addEventListener("install", event => {
    event.waitUntil(caches.open(KEPT).then(kept => kept.addAll(FILES)).then(() => self.skipWaiting()));
});

self.addEventListener("activate", event => event.waitUntil(self.clients.claim()));

self.addEventListener("fetch", event => {
    const { pathname, origin } = new URL(event.request.url);
    if (event.request.method !== "GET" || origin !== self.location.origin || !FILES.includes(pathname)) return;
    event.respondWith(fresh(event.request, pathname));
});

// The service goes first, so that pages and scripts are always those of the running version.
async function fresh(request, pathname) {
    const kept = await caches.open(KEPT);
    try {
        const answer = await fetch(request);
        if (answer.ok) await kept.put(pathname, answer.clone());
        return answer;
    } catch (error) {
        const found = await kept.match(pathname);
        if (found) return found;
        throw error;
    }
}
