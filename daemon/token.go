package daemon

import (
	"fmt"

	"soakrig/daemon/internal/rpc"
)

// NewToken makes an access token for a role, observe or operate. line goes into the
// token file that listen.tokens names, which holds no secret; secret goes to the
// caller and is shown once.
func NewToken(role, name string) (secret, line string, err error) {
	for _, r := range []rpc.Role{rpc.RoleObserve, rpc.RoleOperate} {
		if r.String() == role {
			return rpc.NewToken(r, name)
		}
	}
	return "", "", fmt.Errorf("role %q: want observe (read only) or operate (start, stop, push, calibrate too)", role)
}
