package pgtest

import "testing"

// BenchmarkNew measures what each test pays: a copy of the template, made and
// dropped.
func BenchmarkNew(b *testing.B) {
	New(b) // sees to the template
	s := shared(b)
	for b.Loop() {
		if err := s.exec(b.Context(), "CREATE DATABASE bayhold_bench TEMPLATE "+templateName()); err != nil {
			b.Fatal(err)
		}
		if err := s.exec(b.Context(), "DROP DATABASE bayhold_bench WITH (FORCE)"); err != nil {
			b.Fatal(err)
		}
	}
}
