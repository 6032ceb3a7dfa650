package fhirmap

import (
	"encoding/json"
	"reflect"
	"strings"
	"sync"

	"tidemark/internal/fhirjson"
)

// tree turns a model into a tree. It reads the models' own tags rather than
// their JSON, which would have to be parsed again for each of the hundreds of
// resources of an answer.
func tree(model any) *fhirjson.Node { return node(reflect.ValueOf(model)) }

// A code is one of R4's required codes, an int with a name.
type code interface{ Code() string }

func node(v reflect.Value) *fhirjson.Node {
	switch v.Kind() {
	case reflect.Pointer:
		return node(v.Elem())
	case reflect.Struct:
		return object(v)
	case reflect.Slice:
		if v.Type().Elem().Kind() == reflect.Uint8 {
			break
		}
		items := make([]*fhirjson.Node, v.Len())
		for i := range items {
			items[i] = node(v.Index(i))
		}
		return &fhirjson.Node{Kind: fhirjson.Array, Items: items}
	case reflect.String:
		if v.Type() == reflect.TypeFor[json.Number]() {
			return fhirjson.Num(v.String())
		}
		return fhirjson.Str(strings.ToValidUTF8(v.String(), "\ufffd"))
	case reflect.Bool:
		return fhirjson.Boolean(v.Bool())
	case reflect.Int:
		if c, ok := v.Interface().(code); ok {
			return fhirjson.Str(c.Code())
		}
	}
	return marshalled(v.Interface())
}

// marshalled is for what the models hold beside that, such as a plain int.
func marshalled(v any) *fhirjson.Node {
	b, err := json.Marshal(v)
	if err != nil {
		panic("fhirmap: a model of our own does not marshal: " + err.Error())
	}
	n, err := fhirjson.Parse(b)
	if err != nil {
		panic("fhirmap: a model of our own is not JSON: " + err.Error())
	}
	return n
}

func object(v reflect.Value) *fhirjson.Node {
	s := shapeOf(v.Type())
	n := &fhirjson.Node{Kind: fhirjson.Object, Members: make([]fhirjson.Member, 0, 8)}
	if s.resource != "" {
		n.Members = append(n.Members, fhirjson.Member{Name: "resourceType", Value: fhirjson.Str(s.resource)})
	}
	for _, f := range s.fields {
		x := v.Field(f.index)
		if f.omit && empty(x) {
			continue
		}
		n.Members = append(n.Members, fhirjson.Member{Name: f.name, Value: node(x)})
	}
	return n
}

// empty is what omitempty leaves out.
func empty(v reflect.Value) bool {
	switch v.Kind() {
	case reflect.Slice:
		return v.Len() == 0
	case reflect.Struct:
		return false
	}
	return v.IsZero()
}

// model fills a model from a tree that package r4 has found valid, without
// writing the tree out for a JSON decoder to read again. It reports false for
// what the models are too narrow for; json.Unmarshal says what that is.
func model(n *fhirjson.Node, v reflect.Value) bool {
	switch v.Kind() {
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		return model(n, v.Elem())
	case reflect.Struct:
		if n.Kind != fhirjson.Object {
			return false
		}
		s := shapeOf(v.Type())
		for i := range n.Members {
			m := &n.Members[i]
			if f, ok := s.named[m.Name]; ok && !model(m.Value, v.Field(f)) {
				return false
			}
		}
		return true
	case reflect.Slice:
		if v.Type().Elem().Kind() == reflect.Uint8 {
			break
		}
		if n.Kind != fhirjson.Array {
			return false
		}
		v.Set(reflect.MakeSlice(v.Type(), len(n.Items), len(n.Items)))
		for i, item := range n.Items {
			if !model(item, v.Index(i)) {
				return false
			}
		}
		return true
	case reflect.String:
		kind := fhirjson.String
		if v.Type() == reflect.TypeFor[json.Number]() {
			kind = fhirjson.Number
		}
		v.SetString(n.Text)
		return n.Kind == kind
	case reflect.Bool:
		v.SetBool(n.Text == "true")
		return n.Kind == fhirjson.Bool
	}
	// A code, an int, or what is kept as JSON.
	return json.Unmarshal(n.Bytes(), v.Addr().Interface()) == nil
}

// shape is what the tags of a model say.
type shape struct {
	resource string // the resourceType, which is not among a resource's fields
	fields   []field
	named    map[string]int // name → index
}

type field struct {
	index int
	name  string
	omit  bool
}

var shapes sync.Map // reflect.Type → shape

func shapeOf(t reflect.Type) shape {
	if s, ok := shapes.Load(t); ok {
		return s.(shape)
	}
	s := shape{named: make(map[string]int, t.NumField())}
	// Resources, and no other structs, marshal themselves: to add their type.
	if t.Implements(reflect.TypeFor[json.Marshaler]()) {
		s.resource = t.Name()
	}
	for i := range t.NumField() {
		name, options, _ := strings.Cut(t.Field(i).Tag.Get("json"), ",")
		s.fields = append(s.fields, field{i, name, options == "omitempty"})
		s.named[name] = i
	}
	shapes.Store(t, s)
	return s
}
