package app

import (
	"cmp"
	"context"
	"log/slog"
	"os"

	"go.opentelemetry.io/otel"
	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/exporters/otlp/otlptrace"
	"go.opentelemetry.io/otel/sdk/resource"
	sdktrace "go.opentelemetry.io/otel/sdk/trace"
	"go.opentelemetry.io/otel/trace"
	"go.opentelemetry.io/otel/trace/noop"
)

// tracer exports spans over OTLP where the standard OTEL_EXPORTER_OTLP_…
// variables name a collector, and does nothing where they do not. Spans carry
// the interaction, type and status; no ids, no search text. What goes wrong
// with the export is logged.
func tracer(ctx context.Context, version string, log *slog.Logger) (trace.Tracer, func(context.Context) error, error) {
	c, err := newCollector()
	if err != nil {
		return nil, nil, err
	}
	if c == nil {
		return noop.NewTracerProvider().Tracer("tidemark"), func(context.Context) error { return nil }, nil
	}
	exporter, err := otlptrace.New(ctx, c)
	if err != nil {
		return nil, nil, err
	}
	otel.SetErrorHandler(otel.ErrorHandlerFunc(func(err error) { log.Warn("traces are not exported", "err", err) }))
	p := sdktrace.NewTracerProvider(sdktrace.WithBatcher(exporter), sdktrace.WithResource(resource.NewSchemaless(
		attribute.String("service.name", cmp.Or(os.Getenv("OTEL_SERVICE_NAME"), "tidemark")), attribute.String("service.version", version))))
	return p.Tracer("tidemark"), p.Shutdown, nil
}
