package openapi

// webhooks are the requests that the receiver of a Subscription gets. All else that it
// can rely on is in internal/notify/DELIVERIES.md.
func webhooks() object {
	header := func(name, description string, schema object) object {
		return object{"name": name, "in": "header", "required": name == "Tidemark-Sequence" || name == "Tidemark-Subscription" || name == "Tidemark-Event-Number",
			"description": description, "schema": schema}
	}
	str := object{"type": "string"}
	number := object{"type": "integer", "format": "int64", "minimum": 0}
	headers := list{
		header("Tidemark-Sequence", "Place of the change in the service's feed. It grows; a repeat carries the same one: drop what you have.", number),
		header("Tidemark-Event-Number", "1, 2, 3 … of the deliveries of this Subscription. One that never comes was set aside or may not be read.", number),
		header("Tidemark-Subscription", "Id of the Subscription.", str),
		header("Content-Digest", "With a secret: the digest of the body (RFC 9530, sha-256).", str),
		header("Signature-Input", "With a secret: what the signature covers (RFC 9421).", str),
		header("Signature", "With a secret: label tidemark, hmac-sha256.", str),
	}
	hook := func(id, summary, description string, parameters list, body object) object {
		op := object{"operationId": id, "tags": list{"Subscription"}, "summary": summary, "description": description, "parameters": append(parameters, headers...),
			"security": list{object{}},
			"responses": object{
				"204": object{"description": "Kept. Any 2xx within 10 s says so."},
				"429": object{"description": "Not now: the endpoint is left alone for as long as Retry-After says, up to 5 min. 502, 503 and 504 mean the same."},
				"4XX": object{"description": "Not this one: it is tried again with growing pauses, and holds back its own drain alone."},
			}}
		if body != nil {
			op["requestBody"] = object{"required": true, "content": object{fhirJSON: object{"schema": body}}}
		}
		return op
	}
	again := " At least once, in order per drain, retried for 24 h."
	return object{
		"delivery": object{
			"put": hook("webhook.put", "A version that matches, as written", "With channel.payload application/fhir+json, to [endpoint]/[type]/[id]."+again, list{},
				object{"oneOf": list{ref("DetectedIssue"), ref("Observation"), ref("Device")}, "discriminator": object{"propertyName": "resourceType"}}),
			"delete": hook("webhook.delete", "A deletion", "Of a resource that matched before, to [endpoint]/[type]/[id]."+again, list{}, nil),
		},
		"notification": object{
			"post": hook("webhook.post", "A change without its resource, or with context", "To [endpoint]. Without a payload there is no body; with id-only a history Bundle names the change; "+
				"with-context sends a collection: the resource, then its patient, drain, bed and ward. A Subscription to a topic sends a history Bundle whose first entry is the status of the Subscription, as Parameters, "+
				"for its handshake, heartbeats and events; the first two carry 0 as Tidemark-Sequence and Tidemark-Event-Number."+again, list{}, object{"anyOf": list{ref("CollectionBundle"), ref("HistoryBundle")}}),
		},
	}
}
