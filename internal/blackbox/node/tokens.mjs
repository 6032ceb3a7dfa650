// Signs tokens with an independent library.
import { writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { SignJWT, exportJWK, generateKeyPair } from 'jose';

const { DIR } = process.env;
const keys = [], lines = [];
const now = Math.floor(Date.now() / 1000);
const sign = (alg, kid, key, change = {}) => {
  const claims = { iss: 'https://issuer.example.org', aud: 'https://drains.example.org/fhir', sub: 'n1', scope: 'system/*.cruds', iat: now, exp: now + 600, ...change };
  return new SignJWT(claims).setProtectedHeader({ alg, kid, typ: 'JWT' }).sign(key);
};
for (const alg of ['ES256', 'ES384', 'RS256', 'RS384', 'PS256', 'EdDSA']) {
  const { publicKey, privateKey } = await generateKeyPair(alg, { extractable: true });
  const jwk = await exportJWK(publicKey);
  keys.push({ ...jwk, kid: alg, alg, use: 'sig' });
  lines.push(`${alg}=${await sign(alg, alg, privateKey)}`);
  lines.push(`bad-${alg}-expired=${await sign(alg, alg, privateKey, { exp: now - 120 })}`);
  lines.push(`bad-${alg}-audience=${await sign(alg, alg, privateKey, { aud: 'https://elsewhere.example.org' })}`);
  const stranger = await generateKeyPair(alg, { extractable: true });
  lines.push(`bad-${alg}-stranger=${await sign(alg, alg, stranger.privateKey)}`);
}
lines.push(`bad-HS256=${await sign('HS256', 'ES256', new TextEncoder().encode(JSON.stringify(keys[0]).padEnd(64, ' ')))}`);
writeFileSync(join(DIR, 'jwks.json'), JSON.stringify({ keys }));
writeFileSync(join(DIR, 'tokens.txt'), lines.join('\n'));
