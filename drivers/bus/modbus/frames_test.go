package modbus

import (
	"bufio"
	"bytes"
	"context"
	"encoding/hex"
	"encoding/json"
	"errors"
	"net"
	"os"
	"testing"
	"testing/synctest"
	"time"

	"soakrig/drivers"
)

// frameCase is one line of testdata/meters, where each names its source.
type frameCase struct {
	ID, Request, Response string
	Expect                struct {
		Error      string
		Code       uint8
		Retry      *bool
		Quarantine bool
		Close      bool
		InSync     *bool `json:"line_in_sync"`
		Unit       *int  `json:"unit_id"`
	}
}

func frameCases(t *testing.T, protocol string) []frameCase {
	t.Helper()
	f, err := os.Open("../../../testdata/meters/" + protocol + ".jsonl")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var cases []frameCase
	for s := bufio.NewScanner(f); s.Scan(); {
		var c frameCase
		if err := json.Unmarshal(s.Bytes(), &c); err != nil {
			t.Fatalf("%v in %s", err, s.Text())
		}
		cases = append(cases, c)
	}
	return cases
}

func unhex(t *testing.T, text string) []byte {
	t.Helper()
	p, err := hex.DecodeString(text)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

var errorWords = map[string]error{
	"timeout": ErrTimeout, "crc": ErrCRC, "unexpected_unit": ErrUnit, "unexpected_function": ErrFunction,
	"byte_count": ErrByteCount, "bad_length": ErrLength, "bad_protocol": ErrProtocol,
}

// checkOutcome compares err and the registers with what a case expects.
func checkOutcome(t *testing.T, c frameCase, err error, registers, answer []byte) {
	t.Helper()
	var e *Exception
	switch {
	case c.Expect.Error == "exception":
		if !errors.As(err, &e) || e.Code != c.Expect.Code || e.Passing() != *c.Expect.Retry || drivers.AnswerFaults(err) != drivers.DeviceError {
			t.Errorf("%v is %v, want exception %d, passing %v", err, drivers.AnswerFaults(err), c.Expect.Code, *c.Expect.Retry)
		}
	case c.Expect.Error != "":
		want, known := errorWords[c.Expect.Error]
		if !known || !errors.Is(err, want) {
			t.Errorf("%v, want %s", err, c.Expect.Error)
		}
		if f := drivers.AnswerFaults(err); f != drivers.Timeout && f != drivers.Corrupt {
			t.Errorf("fault %v", f)
		}
	case err != nil:
		t.Errorf("%v, want a good answer", err)
	case !bytes.Contains(answer, registers):
		t.Errorf("registers % x are not in the answer % x", registers, answer)
	}
}

func TestRTUFrames(t *testing.T) {
	cases := frameCases(t, "modbus-rtu")
	if len(cases) != 36 {
		t.Errorf("%d cases, want 36", len(cases))
	}
	for _, c := range cases {
		t.Run(c.ID, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				request, response := unhex(t, c.Request), unhex(t, c.Response)
				l := newFakeLine(func(_ int, got []byte) []step {
					if !bytes.Equal(got, request) {
						t.Errorf("sent % x, want % x", got, request)
					}
					return []step{{10 * time.Millisecond, response}}
				})
				o := quick
				o.Echo = c.ID == "echo-only"
				m := overLine(l, o)
				defer m.Close()
				req := Request{Unit: request[0], Function: Function(request[1]),
					Address: uint16(request[2])<<8 | uint16(request[3]), Count: int(request[5])}
				dst := make([]byte, 2*req.Count)
				err := m.Read(t.Context(), req, dst)
				checkOutcome(t, c, err, dst, response)
				var e *Exception
				if inSync := err == nil || errors.As(err, &e); m.dirty == inSync {
					t.Errorf("quarantine %v after %v", m.dirty, err)
				}
				if c.Expect.Quarantine && !m.dirty || c.Expect.InSync != nil && *c.Expect.InSync == m.dirty {
					t.Errorf("quarantine: %v", m.dirty)
				}
			})
		})
	}
}

func TestTCPFrames(t *testing.T) {
	cases := frameCases(t, "modbus-tcp")
	if len(cases) != 8 {
		t.Errorf("%d cases, want 8", len(cases))
	}
	for _, c := range cases {
		t.Run(c.ID, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				request, response := unhex(t, c.Request), unhex(t, c.Response)
				here, there := net.Pipe()
				go func() {
					got := make([]byte, len(request))
					n, _ := there.Read(got)
					if !bytes.Equal(got[:n], request) {
						t.Errorf("sent % x, want % x", got[:n], request)
					}
					there.Write(response) // a closed pipe ends it
				}()
				m := NewTCP("meter:502", func(context.Context) (net.Conn, error) { return here, nil }, time.Second)
				defer there.Close()
				defer m.Close()
				m.txn = uint16(request[0])<<8 | uint16(request[1]) - 1
				dst := make([]byte, 4)
				err := m.Read(t.Context(), Request{Unit: 1, Function: ReadInput, Address: 12, Count: 2}, dst)
				checkOutcome(t, c, err, dst, response)
				if open := m.conn != nil; open != (c.Expect.Error == "") {
					t.Errorf("connection kept: %v", open)
				}
			})
		})
	}
}
