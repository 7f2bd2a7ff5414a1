// Holds every answer against the document: its status, its kind, its schema, and no property that the document does not name.

import { readFileSync } from "node:fs";
import { Ajv2020, type ValidateFunction } from "ajv/dist/2020.js";
import formats from "ajv-formats";
import type { Middleware } from "openapi-fetch";

export class Breach extends Error {}

type Json = null | boolean | number | string | Json[] | { [name: string]: Json };
type Fields = { [name: string]: Json };

function fields(value: Json | undefined): Fields {
    return typeof value === "object" && value !== null && !Array.isArray(value) ? value : {};
}

/** Objects whose properties are described take no others. */
function close(value: Json): void {
    if (Array.isArray(value)) {
        value.forEach(close);
    } else if (typeof value === "object" && value !== null) {
        if (value["type"] === "object" && typeof value["properties"] === "object" && !("additionalProperties" in value)) {
            value["additionalProperties"] = false;
        }
        Object.values(value).forEach(close);
    }
}

export class Contract {
    readonly #document: Fields;
    readonly #ajv: Ajv2020;
    readonly #validators = new Map<string, ValidateFunction>();
    /** Answers held so far. */
    answers = 0;

    constructor(path: string) {
        this.#document = JSON.parse(readFileSync(path, "utf8")) as Fields;
        const components: Json = structuredClone(fields(this.#document["components"])["schemas"] ?? {});
        close(components);
        this.#ajv = new Ajv2020({ strict: true, strictTypes: false, allErrors: true });
        formats.default(this.#ajv);
        this.#ajv.addFormat("password", true);
        this.#ajv.addVocabulary(["example", "components"]);
        this.#ajv.addSchema({ $id: "document", components: { schemas: components } } as object);
    }

    #validator(pointer: string, schema: Json): ValidateFunction {
        const known = this.#validators.get(pointer);
        if (known !== undefined) {
            return known;
        }
        const text = JSON.stringify(schema).replaceAll('"#/components/', '"document#/components/');
        const made = this.#ajv.compile(JSON.parse(text) as object);
        this.#validators.set(pointer, made);
        return made;
    }

    /** Throws a `Breach` for an answer that is not in the document. */
    async check(method: string, path: string, response: Response): Promise<void> {
        this.answers += 1;
        const operation = fields(fields(fields(this.#document["paths"])[path])[method.toLowerCase()]);
        const responses = fields(operation["responses"]);
        const status = String(response.status);
        const documented = status in responses ? status : response.status >= 400 && "default" in responses ? "default" : undefined;
        const name = `${method} ${path} ${status}`;
        if (documented === undefined) {
            throw new Breach(`${name}: the document knows no such answer`);
        }
        const content = fields(fields(responses[documented])["content"]);
        const kind = (response.headers.get("content-type") ?? "").split(";")[0] ?? "";
        if (response.status === 204) {
            return;
        }
        if (!(kind in content)) {
            throw new Breach(`${name}: ${kind} in place of ${Object.keys(content).join(", ")}`);
        }
        if (!kind.endsWith("/json") && !kind.endsWith("+json")) {
            return;
        }
        const validate = this.#validator(`${method} ${path} ${documented} ${kind}`, fields(content[kind])["schema"] ?? true);
        if (!validate(await response.clone().json())) {
            throw new Breach(`${name}: ${this.#ajv.errorsText(validate.errors)}`);
        }
    }

    /** For the client: every answer is held before anybody reads it. */
    middleware(): Middleware {
        return {
            onResponse: async ({ request, response, schemaPath }) => {
                await this.check(request.method, schemaPath, response);
                return undefined;
            },
        };
    }
}
