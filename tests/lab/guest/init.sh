#!/busybox/busybox sh
# The first program of a machine: mounts what each needs, then does what the harness asks, each request
# beside the others, and answers with exit code and output in one line.
/busybox/busybox --install -s /busybox
export PATH=/usr/sbin:/usr/bin:/sbin:/bin:/busybox HOME=/root LANG=C.UTF-8
mount -t proc proc /proc
mount -t sysfs sys /sys
mount -t devtmpfs dev /dev
mkdir -p /dev/pts /dev/shm
mount -t devpts pts /dev/pts
mount -t tmpfs -o size=64m run /run
mount -t tmpfs -o size=64m tmp /tmp
mkdir -p /run/lock /run/samba /run/sshd /run/mdadm
ln -sf /proc/self/fd /dev/fd
ln -sf /proc/self/fd/0 /dev/stdin
ln -sf /proc/self/fd/1 /dev/stdout
ln -sf /proc/self/fd/2 /dev/stderr
ln -sf /proc/mounts /etc/mtab
modprobe -a virtio_console virtio_net
ip link set lo up
while ! [ -c /dev/vport1p1 ] && ! ls /dev/vport*p1 >/dev/null 2>&1; do sleep 0.1; done
exec 3<>"$(ls /dev/vport*p1)"
# Said until somebody asks: what is said while the other side looks away is lost.
(while ! [ -e /run/asked ]; do
  echo ready >&3
  sleep 1
done) &
while read -r id work <&3; do
  touch /run/asked
  (
    echo "$work" | base64 -d >/run/work.$id
    /bin/bash /run/work.$id >/run/out.$id 2>/run/err.$id 3<&- </dev/null
    code=$?
    exec 9>/run/lock/answer
    flock -x 9
    {
      printf '%s %s .' "$id" "$code"
      base64 -w0 /run/out.$id
      printf ' .'
      base64 -w0 /run/err.$id
      echo
    } >&3
    rm -f /run/*.$id
  ) &
done
# The harness is gone.
poweroff -f
