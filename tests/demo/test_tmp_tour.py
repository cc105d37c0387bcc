import os, subprocess, sys, time, socket
from datetime import date
from ledger import keys
from ledger.demo.history import Brindlewick
from ledger.demo.post import Client, post_days
from ledger.demo.tour import tour
from rich.console import Console
def test_tour(database):
    key=keys.make(database,'demo',keys.SCOPES)
    with socket.socket() as s: s.bind(('127.0.0.1',0)); port=s.getsockname()[1]
    p=subprocess.Popen([sys.executable,'-m','granian','--interface','asgi','--factory','--host','127.0.0.1','--port',str(port),'api.app:create_app'],env={**os.environ,'TALLYBENCH_CONNINFO':database},cwd='/tmp/w/copy')
    try:
        client=Client(f"http://127.0.0.1:{port}",key).__enter__()
        for _ in range(100):
            try:
                print(client.ask('GET','/healthz')); break
            except OSError: time.sleep(.1)
        months=int(os.environ.get('MONTHS','18'))
        b=Brindlewick(seed=int(os.environ.get('SEED','2')),crops=12,months=months,today=date(2026,11,25))
        t=time.perf_counter()
        n=post_days(client,b.days(),until=date(2026,11,25))
        print(n,time.perf_counter()-t)
        print(client.ask('GET','/v1/questions'))
        tour(client,Console(width=150))
        tour(client,Console(width=150))
    finally:
        client.__exit__(); p.terminate(); p.wait()
