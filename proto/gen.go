// Package proto holds the contract of the service; the generated code lies in
// bayhold/v1 beside it.
package proto

// buf needs a pre-release of protobuf and so stays out of go.mod.
//go:generate go run github.com/bufbuild/buf/cmd/buf@v1.75.0 generate
