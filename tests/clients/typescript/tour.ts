// The README's tour, taken by a TypeScript client whose types openapi-typescript generates from openapi/openapi.json.
//
// Usage: node build/tour.js ADDRESS FILE DOCUMENT, where FILE holds what the demo laboratory printed, passwords among it.

import { createHash } from "node:crypto";
import { readFileSync } from "node:fs";
import createClient, { type Client } from "openapi-fetch";
import type { components, paths } from "./generated/document.js";
import { Breach, Contract } from "./strict.js";

type Schemas = components["schemas"];
type Problem = Schemas["ProblemDocument"];

function said(what: string, found: unknown, wanted: unknown): void {
    if (JSON.stringify(found) !== JSON.stringify(wanted)) {
        throw new Breach(`${what}: ${JSON.stringify(found)} in place of ${JSON.stringify(wanted)}`);
    }
    console.log(`  ${what}: ${JSON.stringify(found)}`);
}

interface Answer<T> {
    data?: T;
    error?: Problem;
    response: Response;
}

/** What an operation answered that must succeed. */
function good<T>(answer: Answer<T>): T {
    if (answer.data === undefined) {
        throw new Breach(`${answer.response.url}: ${answer.response.status} ${JSON.stringify(answer.error)}`);
    }
    return answer.data;
}

/** The problem of an operation that must be refused. */
function refused<T>(answer: Answer<T>, status: number, code: string): Problem {
    if (answer.error === undefined || answer.response.status !== status || answer.error.code !== code) {
        throw new Breach(`${answer.response.url}: ${answer.response.status} in place of ${status} ${code}`);
    }
    console.log(`  refused: ${answer.error.code}: ${answer.error.detail}`);
    return answer.error;
}

function found<T>(items: T[], fits: (item: T) => boolean): T {
    const one = items.find(fits);
    if (one === undefined) {
        throw new Breach("the demo has no such thing");
    }
    return one;
}

function last(text: string): string {
    return text.trim().split("\n").at(-1) ?? "";
}

class Person {
    private constructor(
        readonly api: Client<paths>,
        readonly password: string,
    ) {}

    static async signedIn(address: string, contract: Contract, account: string, password: string): Promise<Person> {
        const nobody = createClient<paths>({ baseUrl: address });
        nobody.use(contract.middleware());
        const tokens = good(await nobody.POST("/api/v1/sessions", { body: { account, password } }));
        const headers = { Authorization: `Bearer ${tokens.access_token}` };
        const api = createClient<paths>({ baseUrl: address, headers });
        api.use(contract.middleware());
        return new Person(api, password);
    }
}

interface Bath {
    iron3: string;
    iron2: string;
    total: string;
}

async function threeResults(person: Person): Promise<Bath> {
    const listed = good(await person.api.GET("/api/v1/iron-results", {}));
    const first = found(listed.items, (one) => one.code === "FE3-1");
    const working = async (id: string): Promise<string> =>
        last(good(await person.api.GET("/api/v1/determinations/{id}/working", { params: { path: { id } }, parseAs: "text" })));
    said("iron(II)", await working(first.iron2), "reported: 120.01 +- 0.48 g/L (k = 2.00)");
    said("total iron", await working(first.total), "reported: 129.64 +- 0.49 g/L (k = 2.00)");
    const of3 = { params: { path: { id: first.id } } };
    const text = good(await person.api.GET("/api/v1/iron-results/{id}/working", { ...of3, parseAs: "text" }));
    said("iron(III)", last(text), "reported: 9.63 +- 0.55 g/L (k = 2.00)");
    const iron3 = good(await person.api.GET("/api/v1/iron-results/{id}", of3));
    const outcomes = iron3.conformity.map((one) => `${one.code} ${one.outcome}`).sort();
    said("conformity", outcomes, ["SP-1 conditional", "SP-2 does not conform", "SP-3 conforms"]);
    const total = good(await person.api.GET("/api/v1/determinations/{id}", { params: { path: { id: first.total } } }));
    const fates = total.evaluation.titres.map((one) => one.fate);
    said("fates", fates, [...Array<string>(3).fill("failed reduction"), "rough", ...Array<string>(3).fill("used")]);
    const made = good(
        await person.api.GET("/api/v1/determinations/{id}/titrations", { params: { path: { id: first.iron2 } } }),
    );
    said("versions of titration 3", made.slice(-2).map((one) => [one.position, one.version, one.final_readings]), [
        [3, 1, ["22.48"]],
        [3, 2, ["21.48"]],
    ]);
    // The same working as a graph of nodes.
    const graph = good(
        await person.api.GET("/api/v1/determinations/{id}/working", {
            params: { path: { id: first.iron2 }, query: { as: "json" } },
        }),
    );
    said("graph", typeof graph === "object" && graph.format, "ferrotitre working 1");
    return { iron3: first.id, iron2: first.iron2, total: first.total };
}

async function chartsAndPapers(person: Person, manager: Person, bath: Bath): Promise<void> {
    const charts = good(await person.api.GET("/api/v1/control-charts", {}));
    const chart = { path: { id: found(charts.items, (one) => one.code === "X-BATH").id } };
    const points = good(
        await person.api.GET("/api/v1/control-charts/{id}/points", { params: { ...chart, query: { limit: 200 } } }),
    );
    console.log(`  X-BATH: ${points.items.length} points`);
    const drawn = await person.api.GET("/api/v1/control-charts/{id}.svg", { params: chart, parseAs: "text" });
    said("picture", good(drawn).slice(0, 4), "<svg");
    const methods = good(await person.api.GET("/api/v1/methods", {}));
    const m2 = found(methods.items, (one) => one.code === "M2").id;
    const budget = good(await person.api.GET("/api/v1/methods/{id}/budget", { params: { path: { id: m2 } } }));
    said("versions of the budget of M2", budget.versions.map((one) => one.version).sort(), [1, 2]);
    const joint = good(
        await person.api.GET("/api/v1/joint-results", {
            params: { query: { determinations: `${bath.iron2},${bath.total}` } },
        }),
    );
    said("joint", joint.combinations[0]?.what, "total iron less iron(II)");
    const plan = await person.api.GET("/api/v1/determinations/{id}/plan", { params: { path: { id: bath.iron2 } } });
    said("plan", good(plan).cheapest?.titre_ml, 42.95323829160876);
    const lots = good(await person.api.GET("/api/v1/titrants", {}));
    const lot = { path: { id: found(lots.items, (one) => one.code === "M-1").id } };
    good(await person.api.GET("/api/v1/titrants/{id}/drift", { params: lot }));
    good(await person.api.GET("/api/v1/alerts", {}));

    const listed = good(await person.api.GET("/api/v1/certificates", { params: { query: { number: "C-2026-0002" } } }));
    const id = found(listed.items, () => true).id;
    const certificate = good(await person.api.GET("/api/v1/certificates/{id}", { params: { path: { id } } }));
    said("issues", certificate.issues.map((one) => one.status), ["amended: replaced by issue 2", "current"]);
    const paper = await person.api.GET("/api/v1/certificates/{id}/issues/{issue}/certificate.pdf", {
        params: { path: { id, issue: 1 } },
        parseAs: "arrayBuffer",
    });
    said("document", Buffer.from(good(paper)).toString("latin1", 0, 5), "%PDF-");
    for (const format of ["csv", "xlsx"] as const) {
        const list = await manager.api.GET("/api/v1/exports/certificates", {
            params: { query: { format } },
            parseAs: "arrayBuffer",
        });
        console.log(`  certificates as ${format}: ${good(list as Answer<ArrayBuffer>).byteLength} bytes`);
    }
    const studies = good(await person.api.GET("/api/v1/validation-studies", {}));
    const study = { path: { id: found(studies.items, (one) => one.code === "VS-M3").id } };
    const answers = good(await person.api.GET("/api/v1/validation-studies/{id}/answers", { params: study }));
    console.log(`  answers: ${answers.characteristics.map((one) => one.verdict).join(", ")}`);
    const standards = good(await person.api.GET("/api/v1/primary-standards", {}));
    const standard = found(standards.items, (one) => one.code === "PS-CR-1").id;
    const uses = good(await person.api.GET("/api/v1/where-used/{id}", { params: { path: { id: standard } } }));
    // More than in the README where another client was here before.
    said("used in", uses.count >= 25, true);
    const supposed = await person.api.GET("/api/v1/what-if", {
        params: { query: { standard, mass_fraction: "0.9950" } },
        parseAs: "text",
    });
    const end = JSON.parse(last(good(supposed))) as Schemas["SupposedAnswer"];
    const totals = "totals" in end ? end.totals : undefined;
    said("what if", [(totals?.reached ?? 0) >= 23, totals?.complete], [true, true]);
}

/** A receipt comes with every answer to a write, over the bytes of the answer. */
async function receipt<T>(answer: Answer<T> & { response: Response }, raw: string): Promise<T> {
    const data = good(answer);
    const promised = JSON.parse(answer.response.headers.get("audit-receipt") ?? "{}") as { answer?: string };
    if (promised.answer !== createHash("sha256").update(raw).digest("hex")) {
        throw new Breach(`${answer.response.url}: the receipt is over another answer`);
    }
    return data;
}

async function ownDetermination(person: Person, address: string, bath: Bath): Promise<void> {
    const of2 = { params: { path: { id: bath.iron2 } } };
    const seen = found(good(await person.api.GET("/api/v1/determinations/{id}/titrations", of2)), () => true);
    const like = good(await person.api.GET("/api/v1/determinations/{id}", of2));
    const now = new Date().toISOString().replace(/\.\d+Z/, "Z");
    const opened: Schemas["NewRun"] = { method: like.method, bench: "bench 2", environment_temperature: "21.5", observed_at: now };
    const run = good(await person.api.POST("/api/v1/runs", { body: opened })).id;
    const reading = {
        titrant: seen.titrant,
        burette: seen.burette,
        initial_readings: ["0.00"],
        solution_temperature: "21.0",
        observed_at: now,
    };
    const blank = { ...reading, final_readings: ["1.04"], end_point: "green to violet" };
    const ofRun = { params: { path: { id: run } } };
    const without = await person.api.POST("/api/v1/runs/{id}/blanks", { ...ofRun, body: { kind: "reagent", ...blank } });
    refused(without, 422, "blank_without_iron");
    const withIron = await person.api.POST("/api/v1/runs/{id}/blanks", {
        ...ofRun,
        body: { kind: "reagent with iron(II)", iron_equivalent_ml: "1.00", iron_equivalent_u_ml: "0.004", ...blank },
    });
    said("blank", good(withIron).state, "recorded");
    const body: Schemas["NewDetermination"] = { run, portion: like.portion, purpose: "sample", observed_at: now };
    const key = { params: { header: { "Idempotency-Key": `tour ${now} typescript` } } };
    const mine = good(await person.api.POST("/api/v1/determinations", { ...key, body })).id;
    const again = await person.api.POST("/api/v1/determinations", { ...key, body });
    said("sent again", [good(again).id === mine, again.response.headers.get("idempotency-replayed")], [true, "true"]);

    const ofMine = { params: { path: { id: mine } } };
    const titre = (reading_ml: string) =>
        person.api.POST("/api/v1/determinations/{id}/titrations", {
            ...ofMine,
            body: {
                kind: "accurate",
                final_readings: [reading_ml],
                end_point: "green to violet, sharp",
                waste_stream: "chromium acid",
                ...reading,
            },
        });
    const wrong = refused(await titre("21.47"), 422, "invalid_input");
    said("field", [wrong.errors?.[0]?.field, wrong.errors?.[0]?.rule], ["final_readings[0]", "multiple_of_resolution"]);
    said("one titre", good(await titre("21.46")).evaluation.progress.titrations_needed, 1);
    const two = good(await titre("21.48"));
    said("two titres", two.evaluation.progress.detail, "mean of 2 concordant titres");
    const working = await person.api.GET("/api/v1/determinations/{id}/working", { ...ofMine, parseAs: "text" });
    said("mine", last(good(working)), "reported: 119.88 +- 0.50 g/L (k = 2.00)");

    const sign = (path: "submission" | "review", body: Schemas["NewSignature"]) =>
        person.api.POST(`/api/v1/determinations/{id}/${path}`, { ...ofMine, body });
    const { password } = person;
    refused(await sign("submission", { password }), 412, "stale_version");
    const signed = await person.api.POST("/api/v1/determinations/{id}/submission", {
        ...ofMine,
        body: { password, content_digest: two.content_digest },
        parseAs: "text",
    });
    const raw = good(signed as Answer<unknown>) as string;
    const submitted = JSON.parse(raw) as Schemas["DeterminationView"];
    await receipt(signed as Answer<unknown>, raw);
    said("signed", submitted.state, "submitted");
    const shown = good(await person.api.GET("/api/v1/determinations/{id}", ofMine));
    refused(await sign("review", { password, content_digest: shown.content_digest }), 403, "own_record");
    // Whoever is not signed in is told so in the same form.
    const nobody = createClient<paths>({ baseUrl: address });
    refused(await nobody.GET("/api/v1/determinations/{id}", ofMine), 401, "not_signed_in");
}

async function trailAndProof(auditor: Person): Promise<void> {
    const events = good(
        await auditor.api.GET("/api/v1/audit-events", { params: { query: { thing: "DET-000002", kind: "titrations" } } }),
    );
    const event = found(events.items, () => true);
    console.log(`  event: ${event.actor_name}: ${event.what?.slice(0, 60)}`);
    good(await auditor.api.GET("/api/v1/audit-lists/{of}", { params: { path: { of: "exclusions" }, query: { limit: 2 } } }));
    const ofEvent = { params: { path: { id: event.id } } };
    const bytes = good(await auditor.api.GET("/api/v1/audit-events/{id}/canonical", { ...ofEvent, parseAs: "text" }));
    const proof = good(await auditor.api.GET("/api/v1/audit-events/{id}/inclusion-proof", ofEvent));
    const leaf = createHash("sha256").update(`\0${bytes}`).digest("hex");
    said("leaf", JSON.stringify(proof).includes(leaf), true);
    const note = good(await auditor.api.GET("/api/v1/audit-tree/checkpoint", { parseAs: "text" }));
    const key = good(await auditor.api.GET("/api/v1/audit-tree/verifier-key", { parseAs: "text" }));
    said("log", note.split("\n")[0], key.split("+")[0]);
}

async function main(address: string, file: string, document: string): Promise<void> {
    const printed = readFileSync(file, "utf8");
    const passwords = new Map([...printed.matchAll(/^ {2}([a-z]+-\d) +(\S{20}) /gm)].map((line) => [line[1], line[2]]));
    const contract = new Contract(document);
    const signIn = (account: string) => Person.signedIn(address, contract, account, passwords.get(account) ?? "");
    const [person, manager, auditor] = [await signIn("analyst-1"), await signIn("manager-1"), await signIn("auditor-1")];
    const bath = await threeResults(person);
    await chartsAndPapers(person, manager, bath);
    await ownDetermination(person, address, bath);
    await trailAndProof(auditor);
    good(await person.api.GET("/api/v1/sessions", {}));
    const out = await person.api.DELETE("/api/v1/sessions/current", {});
    said("signed out", out.response.status, 204);
    refused(await person.api.GET("/api/v1/sessions", {}), 401, "session_ended");
    console.log(`typescript: the tour is done, ${contract.answers} answers as the document says`);
}

const [address, file, document] = process.argv.slice(2);
if (address === undefined || file === undefined || document === undefined) {
    throw new Error("usage: tour.js ADDRESS FILE DOCUMENT");
}
await main(address, file, document);
