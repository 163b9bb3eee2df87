package bus

import (
	"fmt"
	"os"
	"os/user"
	"strconv"
	"strings"
	"syscall"
)

// permission words who may open path and who we are, and what would help.
func permission(path string) string {
	if path == "" {
		return ""
	}
	info, err := os.Stat(path)
	if err != nil {
		return ""
	}
	st, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return ""
	}
	owner, group := userName(st.Uid), groupName(st.Gid)
	gids, _ := os.Getgroups() // none is an answer too
	ours := make([]string, 0, len(gids))
	for _, g := range gids {
		ours = append(ours, groupName(uint32(g)))
	}
	if len(ours) == 0 {
		ours = append(ours, groupName(uint32(os.Getegid())))
	}
	me := userName(uint32(os.Geteuid()))
	text := fmt.Sprintf("%s belongs to %s:%s with mode %v, and we are %s in group(s) %s",
		path, owner, group, info.Mode().Perm(), me, strings.Join(ours, ", "))
	if st.Gid == 0 || info.Mode().Perm()&0o060 == 0 {
		return text + "; give the node a group of its own by a udev rule"
	}
	return text + fmt.Sprintf("; `usermod -aG %s %s` and a restart of the program would help", group, me)
}

func userName(id uint32) string {
	s := strconv.FormatUint(uint64(id), 10)
	if u, err := user.LookupId(s); err == nil {
		return u.Username
	}
	return s
}

func groupName(id uint32) string {
	s := strconv.FormatUint(uint64(id), 10)
	if g, err := user.LookupGroupId(s); err == nil {
		return g.Name
	}
	return s
}
