// A client in another language than the service, made at run time from the folder
// proto alone: no generated code, no tool. What the contract imports lies in that
// folder (buf/validate) or comes with every protobuf library (google/protobuf).
import { readdirSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import grpc from '@grpc/grpc-js';
import loader from '@grpc/proto-loader';

const here = (name) => fileURLToPath(new URL(name, import.meta.url));
const proto = here('../../../proto');

// Enums by their names and 64-bit numbers as texts, as in the JSON of protobuf;
// what is absent stays absent, since absent is not zero.
const as = { enums: String, longs: String, oneofs: true, arrays: true };

const files = readdirSync(`${proto}/trigone/v1`).filter((name) => name.endsWith('.proto')).map((name) => `trigone/v1/${name}`);
const contract = loader.loadSync(files, { ...as, includeDirs: [proto] });
const refusals = loader.loadSync(here('refusal.proto'), as);
const { v1 } = grpc.loadPackageDefinition(contract).trigone;

// connect gives a client of each service of the contract, by its name. A unary method
// gives a promise, a stream can be read by for await.
export function connect(address, credentials = grpc.credentials.createInsecure()) {
  const channel = new grpc.Channel(address, credentials, {});
  const clients = { close: () => channel.close() };
  for (const [service, Client] of Object.entries(v1).filter(([, made]) => made.service)) {
    const client = new Client(address, credentials, { channelOverride: channel });
    clients[service] = {};
    for (const [method, { responseStream }] of Object.entries(Client.service)) {
      clients[service][method] = responseStream
        ? (request) => client[method](request)
        : (request) => new Promise((resolve, reject) => client[method](request, (error, answer) => (error ? reject(refused(error)) : resolve(answer))));
    }
  }
  return clients;
}

// What a refusal says beside its sentence: reason, a stable word, its metadata, and the
// violation of each field.
export function refused(error) {
  const [sent] = error.metadata?.get('grpc-status-details-bin') ?? [];
  if (!sent) return error;
  for (const { type_url: type, value } of refusals['google.rpc.Status'].deserialize(sent).details) {
    const detail = refusals[type.split('/').at(-1)]?.deserialize(value);
    if (detail?.reason) Object.assign(error, { reason: detail.reason, about: detail.metadata ?? {} });
    if (detail?.fieldViolations) error.violations = detail.fieldViolations;
  }
  return error;
}

// A time as the contract's messages hold it, and back as text.
export const time = (text) => ({ seconds: Math.floor(Date.parse(text) / 1000), nanos: (Date.parse(text) % 1000) * 1e6 });
export const text = ({ seconds = 0, nanos = 0 }) => new Date(Number(seconds) * 1000 + nanos / 1e6).toISOString();
export const { status } = grpc;
