package rpc

import (
	"context"
	"strings"
	"time"

	"google.golang.org/grpc"
	reflectpb "google.golang.org/grpc/reflection/grpc_reflection_v1"
)

// services lists what reflection shows, as a shell tool would.
func services(f *fixture, opts ...grpc.DialOption) (string, error) {
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	stream, err := reflectpb.NewServerReflectionClient(f.conn(opts...)).ServerReflectionInfo(ctx)
	if err != nil {
		return "", err
	}
	if err := stream.Send(&reflectpb.ServerReflectionRequest{MessageRequest: &reflectpb.ServerReflectionRequest_ListServices{}}); err != nil {
		return "", err
	}
	m, err := stream.Recv()
	if err != nil {
		return "", err
	}
	var names []string
	for _, s := range m.GetListServicesResponse().GetService() {
		names = append(names, s.Name)
	}
	return strings.Join(names, " "), nil
}
