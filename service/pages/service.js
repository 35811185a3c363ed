// Asking the service. Everything a page sends carries a header that no other site can make a browser send.

/** The service cannot be reached, or what answers is not the service. */
export class Unreachable extends Error {}

/** Somebody has to sign in first. */
export class SignInNeeded extends Error {}

/**
 * Sends a request. Gives `{ status, body, headers }` for every answer of the service; an OperationOutcome too.
 * Throws `Unreachable` without an answer and `SignInNeeded` for 401.
 */
export async function ask(path, { method = "GET", body, headers = {}, signal } = {}) {
    let answer;
    try {
        answer = await fetch(path, {
            method,
            signal,
            cache: "no-store",
            credentials: "same-origin",
            redirect: "error",
            headers: {
                "X-Solewire-Page": "1",
                Accept: "application/fhir+json, application/json",
                ...(body === undefined ? {} : { "Content-Type": "application/fhir+json" }),
                ...headers,
            },
            body,
        });
    } catch (error) {
        if (error.name === "AbortError") throw error;
        throw new Unreachable();
    }
    if (answer.status === 401) throw new SignInNeeded();
    let parsed = null;
    try {
        parsed = await answer.json();
    } catch (error) {
        if (error.name === "AbortError") throw error;
        // A proxy that answers in place of the service speaks no JSON: nothing was taken.
        if (answer.ok || answer.status >= 500) throw new Unreachable();
    }
    return { status: answer.status, body: parsed, headers: answer.headers };
}

/** The issues of an OperationOutcome: `{ severity, text, mend, rule, expression }`. */
export function issuesOf(outcome) {
    return (outcome?.issue ?? []).map(issue => ({
        severity: issue.severity,
        text: issue.details?.text ?? "The service gave no reason.",
        mend: (issue.diagnostics ?? "").replace(/^How to mend it: /, ""),
        rule: issue.details?.coding?.[0]?.code ?? "",
        expression: issue.expression?.[0] ?? "",
    }));
}

/** Whether an issue keeps a document from being taken. */
export function refuses(issue) {
    return issue.severity === "error" || issue.severity === "fatal";
}
