package rpc

import (
	"fmt"
	"strconv"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/protoadapt"
	"google.golang.org/protobuf/types/known/durationpb"
)

// Domain is the domain of every ErrorInfo that the daemon sends.
const Domain = "soakrig"

// The reasons in ErrorInfo: what a program branches on. The text is for people.
const (
	reasonField        = "INVALID_FIELD"
	reasonBeyondHead   = "CURSOR_BEYOND_HEAD"
	reasonJournal      = "OTHER_JOURNAL"
	reasonStopping     = "STOPPING"
	reasonNoRun        = "NO_SUCH_RUN"
	reasonRunOpen      = "RUN_OPEN"
	reasonNoRunOpen    = "NO_RUN_OPEN"
	reasonPlan         = "BAD_PLAN"
	reasonSource       = "SOURCE_WITHOUT_VALUE"
	reasonNoPush       = "NOT_PUSHED"
	reasonCredentials  = "NO_CREDENTIALS"
	reasonRole         = "ROLE_NEEDED"
	reasonRevoked      = "CREDENTIALS_REVOKED"
	reasonTooMany      = "TOO_MANY_REQUESTS"
	reasonTooManyCalls = "TOO_MANY_CALLS"
	reasonInternal     = "INTERNAL"
)

// fail makes a status with ErrorInfo and further details.
func fail(code codes.Code, reason string, meta map[string]string, text string, more ...protoadapt.MessageV1) error {
	st := status.New(code, text)
	info := &errdetails.ErrorInfo{Reason: reason, Domain: Domain, Metadata: meta}
	with, err := st.WithDetails(append([]protoadapt.MessageV1{info}, more...)...)
	if err != nil { // can't be encoded: the text still says it all
		return st.Err()
	}
	return with.Err()
}

// badField is INVALID_ARGUMENT for one field of a request.
func badField(field, format string, args ...any) error {
	text := fmt.Sprintf(format, args...)
	return fail(codes.InvalidArgument, reasonField, map[string]string{"field": field}, field+": "+text,
		violation(field, text))
}

func violation(field, text string) *errdetails.BadRequest {
	return &errdetails.BadRequest{FieldViolations: []*errdetails.BadRequest_FieldViolation{
		{Field: field, Description: text},
	}}
}

// later is RESOURCE_EXHAUSTED or UNAVAILABLE with the time after which to try again.
func later(code codes.Code, reason string, after time.Duration, text string, meta map[string]string) error {
	return fail(code, reason, meta, text, &errdetails.RetryInfo{RetryDelay: durationpb.New(after)})
}

// stopping says that the rig is going down, and where to resume; next 0: nowhere.
func stopping(rig string, next uint64) error {
	meta := map[string]string{"rig": rig}
	text := "rig " + rig + " is stopping; try again when it is back"
	if next > 0 {
		meta["next_sequence"] = strconv.FormatUint(next, 10)
		text = fmt.Sprintf("rig %s is stopping; resume at sequence %d when it is back", rig, next)
	}
	return later(codes.Unavailable, reasonStopping, time.Second, text, meta)
}
